# shellcheck shell=bash
# Sourced by the scripts beside it: installs Debian packages that are missing, when
# run by root, and says which are missing when not.

# have PROGRAM... : one of the programs is there. System programs may not be on the
# PATH of an ordinary user.
have() {
  local program
  for program in "$@"; do
    PATH="$PATH:/usr/sbin:/sbin" command -v "$program" >/dev/null && return 0
  done
  return 1
}

have_postgres() {
  local initdb
  for initdb in /usr/lib/postgresql/*/bin/initdb; do
    [ -x "$initdb" ] && return 0
  done
  have initdb
}

# need PACKAGE... : installs packages without starting the services that they bring:
# Underkeep runs its own, and a broker of the system would hold port 1883.
need() {
  [ "$#" -eq 0 ] && return 0
  if [ "$(id -u)" -ne 0 ] || ! have apt-get; then
    echo "Missing Debian packages: $*" >&2
    echo "Install them first:  sudo apt-get install --no-install-recommends $*" >&2
    return 1
  fi
  echo "Installing Debian packages: $*" >&2
  local policy=/usr/sbin/policy-rc.d made_policy=
  if [ ! -e "$policy" ]; then
    printf '#!/bin/sh\nexit 101\n' >"$policy"
    chmod 755 "$policy"
    made_policy=yes
  fi
  local result=0
  {
    apt-get update -q &&
      DEBIAN_FRONTEND=noninteractive apt-get install -y -q --no-install-recommends "$@"
  } </dev/null >&2 || result=$?
  [ -z "$made_policy" ] || rm -f "$policy"
  if [ "$result" -eq 0 ] && have systemctl; then
    local package
    for package in "$@"; do
      case "$package" in
        mosquitto | postgresql) systemctl disable --quiet "$package" >&2 || true ;;
      esac
    done
  fi
  return "$result"
}

need_go() {
  have go && return 0
  echo "Go is missing: version 1.26 or newer, see https://go.dev/doc/install" >&2
  return 1
}
