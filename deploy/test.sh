#!/usr/bin/env bash
# Runs every test of Underkeep; arguments go to "go test", such as -race.
# Installs what the tests need when root: Postgres, Mosquitto, Chromium.
set -euo pipefail
cd "$(dirname "$0")/.."
# shellcheck source=deploy/prepare.sh
. deploy/prepare.sh

need_go
missing=()
have_postgres || missing+=(postgresql)
have mosquitto || missing+=(mosquitto)
have mosquitto_pub || missing+=(mosquitto-clients)
have chromium chromium-browser google-chrome || missing+=(chromium)
have curl || missing+=(curl)
have openssl || missing+=(openssl)
need "${missing[@]}"
need_axe

# The pure packages start no goroutine (the architecture test holds that), so the
# race detector would only make their years of arithmetic ten times as long.
heavy='underkeep/(alerting(/(air|load|outlook|region|simulate|water|notify/(png|route|words)))?|api/warranty(/[a-z]+)?|store/(evidence|site(/[a-z]+)?|visit))$'
plain=()
for a in "$@"; do
  [ "$a" = -race ] || plain+=("$a")
done

# With RAPID_SEED the property tests draw the same cases each time, so that a change
# is judged by what it changes; without it each run tries others.
drawn=$(go list -f '{{.ImportPath}} {{join .TestImports " "}} {{join .XTestImports " "}}' ./... |
  grep -F pgregory.net/rapid | cut -d' ' -f1)
result=0
run() { # packages on stdin
  local all seeded others
  mapfile -t all
  if [ -z "${RAPID_SEED:-}" ]; then
    go test -timeout 20m "$@" "${all[@]}" || result=$?
    return
  fi
  mapfile -t seeded < <(printf '%s\n' "${all[@]}" | grep -Fx "$drawn")
  mapfile -t others < <(printf '%s\n' "${all[@]}" | grep -Fxv "$drawn")
  [ "${#others[@]}" = 0 ] || go test -timeout 20m "$@" "${others[@]}" || result=$?
  [ "${#seeded[@]}" = 0 ] || go test -timeout 20m "$@" "${seeded[@]}" "-rapid.seed=$RAPID_SEED" || result=$?
}
run "$@" < <(go list ./... | grep -Ev "$heavy")
run "${plain[@]}" < <(go list ./... | grep -E "$heavy")
exit "$result"
