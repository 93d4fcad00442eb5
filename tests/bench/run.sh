#!/usr/bin/env bash
# Times Yarder against the same work done by hand (baseline.sh), in turns, over a real nginx on loopback.
#
#   tests/bench/run.sh [--runs N] [--loggers N] [--transfers N] [--row NAME]... [--link] [--baseline]
#
#   --runs       how often each is run (5)          --loggers    over how many loggers the files are spread (4)
#   --transfers  how many transfers at once (4)     --row        only this row; may be given more than once
#   --link       also the rows with the archive on the spool's own mount
#   --baseline   the baseline alone, without building Yarder
#
# Rows: bulk (40 files of 50 MB) and small (5,000 files of 20 kB), with the spool and the archive on two mounts on the
# disk, made anew for every run; bulk-memory and small-memory, with both on mounts in memory; bulk-link and small-link,
# with both on one mount. YARDER=PROGRAM takes a program that is already built. Mounts need root, Linux and 20 GB of disk.
# What is made lies in target/bench, and the mounts and the server are gone at the end, however it comes.
set -euo pipefail
cd "$(dirname "$0")/../.."
here=$PWD/tests/bench work=$PWD/target/bench
runs=5 loggers=4 transfers=4 link=no who=(baseline yarder) rows=()
while [ $# -gt 0 ]; do
  case $1 in
    --runs) runs=$2; shift ;;
    --loggers) loggers=$2; shift ;;
    --transfers) transfers=$2; shift ;;
    --row) rows+=("$2"); shift ;;
    --link) link=yes ;;
    --baseline) who=(baseline) ;;
    *) echo "${0##*/}: no such argument: $1" >&2; exit 2 ;;
  esac
  shift
done
if [ ${#rows[@]} = 0 ]; then
  rows=(bulk small bulk-memory small-memory)
  [ "$link" = no ] || rows+=(bulk-link small-link)
fi
say() { echo "bench: $*" >&2; }
[ "$(id -u)" = 0 ] || { say "mounting an archive of its own needs root"; exit 1; }
mkdir -p "$work"

server='' loops=() mounts=()
clean_up() {
  [ -z "$server" ] || { kill "$server"; wait "$server"; } 2>/dev/null || true
  for mount in "${mounts[@]}"; do umount "$mount" || true; done
  for loop in "${loops[@]}"; do losetup -d "$loop" || true; done
  rm -rf "$work"/*.img
}
trap clean_up EXIT
trap 'exit 130' INT TERM HUP

yarder=${YARDER:-$PWD/target/release/yarder}
case " ${who[*]} " in
  *" yarder "*) [ -n "${YARDER:-}" ] || cargo build --locked --release --bin yarder ;;
esac

# What the loggers hold; kept from one call to the next.
make_tree() { # NAME FILES BYTES
  local tree=$work/$1-$loggers
  [ -e "$tree.json" ] && return
  say "making $1: $2 files of $3 bytes over $loggers loggers"
  rm -rf "$tree"
  tests/servers/tree.py "$tree" --truth "$tree.new" --fleet "$loggers,$2,$3" >&2
  mv "$tree.new" "$tree.json"
}
case " ${rows[*]} " in *" bulk"*) make_tree bulk 40 50000000 ;; esac
case " ${rows[*]} " in *" small"*) make_tree small 5000 20000 ;; esac

# The mounts: two disks in files, read around the host's cache, and two in memory.
mount_at() { # FOLDER ARGUMENTS...
  mkdir -p "$1"
  mount "${@:2}" "$1"
  mounts=("$1" "${mounts[@]}")
}
disk_at() { # FOLDER
  rm -f "$1.img"
  fallocate -l 6G "$1.img"
  local loop
  loop=$(losetup --find --show --direct-io=on "$1.img" 2>/dev/null || losetup --find --show "$1.img")
  loops+=("$loop")
  declare -g "loop_${1##*/}=$loop"
  format "$loop"
  mount_at "$1" "$loop"
}
format() { # DEVICE
  mkfs.ext4 -q -F -m 0 -E nodiscard,lazy_itable_init=0,lazy_journal_init=0 "$1"
}
# A disk as it was first: ext4 makes new files slowly for some minutes where thousands were just removed, and what one run
# leaves behind must not be measured in the next.
afresh() { # FOLDER
  local loop=loop_${1##*/}
  umount "$1"
  format "${!loop}"
  mount "${!loop}" "$1"
}
case " ${rows[*]} " in *" bulk "* | *" small "* | *-link*) disk_at "$work/spool" ;; esac
case " ${rows[*]} " in *" bulk "* | *" small "*) disk_at "$work/archive" ;; esac
case " ${rows[*]} " in
  *-memory*)
    mount_at "$work/memory-spool" -t tmpfs -o size=5G tmpfs
    mount_at "$work/memory-archive" -t tmpfs -o size=5G tmpfs
    ;;
esac

port=$(python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])')
base=http://127.0.0.1:$port
tests/servers/nginx.sh "$work" "$port" "$work/nginx" &
server=$!
curl --silent --fail --retry 50 --retry-delay 1 --retry-connrefused --output /dev/null "$base/"

configure() { # FOLDER TREE STATE ARCHIVE
  cat > "$1/yarder.toml" <<C
[depot]
name = "north-yard"
time_zone = "UTC"
day_starts = "12:00"
state_dir = "$3"
vehicles = "vehicles.toml"
spool_limit = "4 GB"
spool_reserve = "100 MB"

[poll]
max_transfers = $transfers

[[access_point]]
name = "east"
max_transfers = $transfers

[[archive]]
name = "central"
url = "file://$4"
C
  {
    printf '[kind.bench]\nfiles = ["**/*.log"]\nopen_file = "none"\n'
    for n in $(seq "$loggers"); do
      printf '\n[[vehicle]]\nid = "PLOW-%02d"\naccess_point = "east"\n' "$n"
      printf '\n[[logger]]\nid = "L-%04d"\nvehicle = "PLOW-%02d"\nkind = "bench"\nurl = "%s/logger-%s/"\n' \
        "$n" "$n" "$base/$2" "$n"
    done
  } > "$1/vehicles.toml"
}

# Whether an archive holds just the files of a tree: every manifest agrees with what lies there, and the digests in all
# manifests together are those of the truth.
check_archive() { # ARCHIVE TRUTH
  local manifest
  while read -r manifest; do
    (cd "$(dirname "$manifest")" && sha256sum --check --quiet "${manifest##*/}")
  done < <(find "$1" -name manifest-sha256.txt)
  diff <(find "$1" -name manifest-sha256.txt -exec cat {} + | cut -c1-64 | sort) \
    <(python3 -c 'import json, sys; print("\n".join(sorted(f["sha256"] for f in json.load(open(sys.argv[1]))["files"])))' "$2") \
    > /dev/null || { say "the archive $1 does not hold the files of $2"; return 1; }
}

one_baseline() { # TREE SPOOL ARCHIVE RESULT
  "$here/baseline.sh" "$work/urls" "$base/$1" "$2" "$3" "$transfers" > "$4"
}
one_yarder() { # TREE SPOOL ARCHIVE RESULT
  local code=0
  mkdir -p "$2/state"
  configure "$2" "$1" "$2/state" "$3"
  "$here/timed.py" "$4" "$yarder" --config "$2/yarder.toml" once > "$work/yarder.log" 2>&1 || code=$?
  # 3 means done, with a finding for a person: that two folders are one disk, say.
  case $code in 0 | 3) ;; *) say "yarder ended with $code"; tail -20 "$work/yarder.log" >&2; return 1 ;; esac
  check_archive "$3" "$work/$1.json"
}

results=$work/results.jsonl
: > "$results"
for row in "${rows[@]}"; do
  tree=${row%%-*}-$loggers
  case $row in
    bulk | small) spool=$work/spool archive=$work/archive ;;
    *-memory) spool=$work/memory-spool archive=$work/memory-archive ;;
    *-link) spool=$work/spool archive=$work/spool ;;
    *) say "no such row: $row"; exit 2 ;;
  esac
  python3 -c '
import json, sys
for file in json.load(open(sys.argv[1]))["files"]: print(sys.argv[2] + "/" + file["path"])
' "$work/$tree.json" "$base/$tree" > "$work/urls"
  cat "$work/$tree"/*/* > /dev/null # into the cache: a logger's card is not what is measured
  for run in $(seq "$runs"); do
    for which in "${who[@]}"; do
      case $row in *-memory) ;; *) for disk in $(printf '%s\n' "$spool" "$archive" | uniq); do afresh "$disk"; done ;; esac
      mkdir "$spool/run" "$archive/run-archive"
      "one_$which" "$tree" "$spool/run" "$archive/run-archive" "$work/result"
      python3 -c '
import json, sys
print(json.dumps({"row": sys.argv[2], "who": sys.argv[3], "run": int(sys.argv[4]), **json.load(open(sys.argv[1]))}))
' "$work/result" "$row" "$which" "$run" | tee -a "$results" >&2
      rm -rf "$spool/run" "$archive/run-archive"
      sync
    done
  done
done
"$here/table.py" "$results"
