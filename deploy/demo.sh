#!/usr/bin/env bash
# Builds Underkeep and runs its demo: a fleet of rental cottages on the invented
# barrier island of Skerry Bank. Arguments go to "underkeep demo".
# Installs Postgres when root and missing. Ctrl-C ends it.
set -euo pipefail
cd "$(dirname "$0")/.."
# shellcheck source=deploy/prepare.sh
. deploy/prepare.sh

need_go
have_postgres || need postgresql
go build -o underkeep ./cmd/underkeep
exec ./underkeep demo "$@"
