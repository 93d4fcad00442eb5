#!/usr/bin/env bash
# python.sh DIR PORT RUNDIR      Python's http.server: names alone, no ranges
. "$(dirname "$0")/common.sh"
need python3
exec python3 -u -m http.server "$port" --bind 127.0.0.1 --directory "$dir" >>"$run/log" 2>&1
