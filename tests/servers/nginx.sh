#!/usr/bin/env bash
# nginx.sh DIR PORT RUNDIR [html|local|json|dav]
#   dav    as html, and DELETE is allowed
#   html   UTC times and exact sizes      local   local times (TZ) and rounded sizes      json   whole-second times
. "$(dirname "$0")/common.sh"
need nginx
case ${4:-html} in
  html) index="autoindex on;" ;;
  local) index="autoindex on; autoindex_localtime on; autoindex_exact_size off;" ;;
  json) index="autoindex on; autoindex_format json;" ;;
  dav) index="autoindex on; dav_methods DELETE;" ;;
  *) die "no such listing: $4" ;;
esac
# One process: a kill of this pid leaves no worker behind, and it reads what its caller may read.
cat > "$run/nginx.conf" <<C
daemon off;
master_process off;
pid nginx.pid;
events { worker_connections 1024; }
http {
  access_log off;
  default_type application/octet-stream;
  sendfile on;
  client_body_temp_path body; proxy_temp_path proxy; fastcgi_temp_path fastcgi; uwsgi_temp_path uwsgi; scgi_temp_path scgi;
  server {
    listen 127.0.0.1:$port backlog=1024;
    root "$dir";
    location / { $index }
  }
}
C
exec nginx -e "$run/log" -p "$run" -c "$run/nginx.conf"
