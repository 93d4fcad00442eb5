#!/usr/bin/env bash
# lighttpd.sh DIR PORT RUNDIR      local times (TZ), rounded sizes
. "$(dirname "$0")/common.sh"
need lighttpd
cat > "$run/lighttpd.conf" <<C
server.modules = ( "mod_dirlisting" )
server.document-root = "$dir"
server.bind = "127.0.0.1"
server.port = $port
server.errorlog = "$run/log"
server.upload-dirs = ( "$run" )
dir-listing.activate = "enable"
mimetype.assign = ( "" => "application/octet-stream" )
C
exec lighttpd -D -f "$run/lighttpd.conf"
