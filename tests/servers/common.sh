# shellcheck shell=bash disable=SC2034
# Sourced by every starter: checks the arguments DIR PORT RUNDIR and sets dir, port and run.
#
# A starter writes the server's configuration, logs and temporary files into RUNDIR and then becomes the server
# (exec), so that whoever started it ends it by the pid it already knows. It listens on 127.0.0.1 alone.
set -eu
PATH=$PATH:/usr/sbin:/sbin
die() { echo "${0##*/}: $*" >&2; exit 2; }
[ $# -ge 3 ] || die "usage: ${0##*/} DIR PORT RUNDIR"
[ -d "$1" ] || die "no folder $1"
mkdir -p "$3"
dir=$(realpath "$1") port=$2 run=$(realpath "$3")
case $dir$run in *[\"\\\$\;\{]*) die "a path with quotes, dollars, semicolons or braces cannot stand in a configuration" ;; esac
need() { command -v "$1" >/dev/null || die "$1 is missing: tests/run installs it"; }
