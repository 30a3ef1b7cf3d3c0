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

# need_axe fetches axe-core (MPL-2.0), which the tests hold the pages against, from
# npm's registry into the user's cache, by the hash that npm publishes for it.
need_axe() {
  local version=4.14.1
  local hash='FHfa+lmNjQZfJz1q8wKqIDwC6DExcHt/pkjNQb09a3NPjCKg2rhu5qb2S4r76ASyFNNtuFooJpZe37OgudVGtQ=='
  local cache="${XDG_CACHE_HOME:-$HOME/.cache}/underkeep"
  local file="$cache/axe-core-$version.min.js"
  [ -s "$file" ] && return 0
  mkdir -p "$cache"
  local packed
  packed=$(mktemp)
  if curl -sSfL --retry 3 -m 120 -o "$packed" "https://registry.npmjs.org/axe-core/-/axe-core-$version.tgz" &&
    [ "$(openssl dgst -sha512 -binary "$packed" | base64 -w0)" = "$hash" ]; then
    tar -xzOf "$packed" package/axe.min.js >"$file.new" && mv "$file.new" "$file"
  else
    echo "axe-core $version could not be fetched from npm's registry, or is not what npm published" >&2
  fi
  rm -f "$packed"
  [ -s "$file" ]
}
