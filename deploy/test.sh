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
result=0
go list ./... | grep -Ev "$heavy" | xargs go test -timeout 20m "$@" || result=$?
go list ./... | grep -E "$heavy" | xargs go test -timeout 20m "${plain[@]}" || result=$?
exit "$result"
