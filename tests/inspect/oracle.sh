#!/usr/bin/env bash
# Makes log files at random with other programs: oracle.sh FOLDER SEED. Prints what is in them as JSON.
# Needs python3 and can-utils; python-can, asammdf and scapy are installed into a virtual environment, once.
set -euo pipefail
here=$(cd "$(dirname "$0")" && pwd)
env=${XDG_CACHE_HOME:-$HOME/.cache}/yarder-oracle-2
if [ ! -e "$env/ready" ]; then
  (
    flock 9
    if [ ! -e "$env/ready" ]; then
      python3 -m venv "$env" >&2
      "$env/bin/pip" install -q python-can==4.6.1 asammdf==8.8.28 scapy==2.8.0 >&2
      touch "$env/ready"
    fi
  ) 9>"$env.lock"
fi
exec "$env/bin/python" "$here/oracle.py" "$1" "$2"
