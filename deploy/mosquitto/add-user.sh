#!/usr/bin/env bash
# Gives an MQTT user a password in Mosquitto's password file and tells a running
# Mosquitto. The password is read from the first line of the input, so that it
# shows in no list of processes:
#
#   underkeep gateway add heron-07 gw1 | sed -n 's/^password: //p' |
#     deploy/mosquitto/add-user.sh deploy/mosquitto/passwords heron-07/gw1
set -euo pipefail

if [ "$#" -lt 2 ] || [ "$#" -gt 3 ]; then
  echo "usage: add-user.sh PASSWORD-FILE USER [PID-OF-MOSQUITTO] <PASSWORD" >&2
  exit 2
fi
file=$1 user=$2 pid=${3:-}
IFS= read -r password
if [ -z "$password" ]; then
  echo "add-user.sh: no password on the input" >&2
  exit 2
fi

umask 077
[ -e "$file" ] || : >"$file"
# A file of one line "user:password" is hashed in place; the result takes the place
# of the user's old line.
one=$(mktemp)
next=$(mktemp "$file.XXXXXX")
trap 'rm -f "$one" "$next"' EXIT
printf '%s:%s\n' "$user" "$password" >"$one"
mosquitto_passwd -U "$one"
awk -F: -v user="$user" '$1 != user' "$file" >"$next"
cat "$one" >>"$next"
# Owner and mode stay: Mosquitto reads the file after it has given up root.
cat "$next" >"$file"
[ -z "$pid" ] || kill -HUP "$pid"
