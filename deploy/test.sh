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
need "${missing[@]}"

exec go test -timeout 20m "$@" ./...
