#!/usr/bin/env bash
# baseline.sh URLLIST BASE DIR1 DIR2 TRANSFERS
#
# What a careful administrator could do by hand, as the yardstick: download every address of URLLIST (one a line, all
# below the address BASE) into DIR1 with TRANSFERS transfers at once, take the SHA-256 of each file, copy all to DIR2 on
# another disk, flush, and take the SHA-256 of the copies as they lie on that disk. Prints the seconds of each phase as
# JSON. Fails if a download or a digest does.
set -euo pipefail
export LC_ALL=C
[ $# = 5 ] || { echo "usage: ${0##*/} URLLIST BASE DIR1 DIR2 TRANSFERS" >&2; exit 2; }
list=$1 base=${2%/} first=$(realpath "$3") second=$(realpath "$4") transfers=$5
here=$(dirname "$(realpath "$0")")
scratch=$(mktemp -d)
trap 'rm -rf "$scratch"' EXIT

# The digests of a folder's files, by relative path, in one openssl as far as the command line's length allows.
digests() { (cd "$1" && find . -type f -print0 | sort -z | xargs -0 openssl dgst -sha256 -r); }
declare -A took
phase() { # NAME COMMAND...
  local name=$1 begin=$EPOCHREALTIME
  shift
  "$@"
  took[$name]=$(awk "BEGIN { printf \"%.3f\", $EPOCHREALTIME - $begin }")
}
download() {
  curl --config "$scratch/curl" --parallel --parallel-immediate --parallel-max "$transfers" \
    --create-dirs --fail --no-progress-meter
}
first_digest() { digests "$first" > "$scratch/first"; }
copy() { cp -r "$first/." "$second/"; }
second_digest() {
  "$here/forget.py" "$second"
  digests "$second" > "$scratch/second"
}

while read -r url; do
  printf 'url = "%s"\noutput = "%s%s"\n' "$url" "$first" "${url#"$base"}"
done < "$list" > "$scratch/curl"

begin=$EPOCHREALTIME
phase download download
phase digest first_digest
phase copy copy
phase sync sync
phase digest_copy second_digest
total=$(awk "BEGIN { printf \"%.3f\", $EPOCHREALTIME - $begin }")

cmp -s "$scratch/first" "$scratch/second" || { echo "the copies differ from what was downloaded" >&2; exit 1; }
files=$(wc -l < "$scratch/first")
[ "$files" = "$(wc -l < "$list")" ] || { echo "$files files for $(wc -l < "$list") addresses" >&2; exit 1; }
printf '{"download": %s, "digest": %s, "copy": %s, "sync": %s, "digest_copy": %s, "total": %s, "files": %s}\n' \
  "${took[download]}" "${took[digest]}" "${took[copy]}" "${took[sync]}" "${took[digest_copy]}" "$total" "$files"
