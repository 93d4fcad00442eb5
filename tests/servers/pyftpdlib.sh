#!/usr/bin/env bash
# pyftpdlib.sh DIR PORT RUNDIR      FTP, user "depot", password "yard", reading and deleting
. "$(dirname "$0")/common.sh"
# Debian's module belongs to Debian's interpreter, which need not be the first in PATH.
python=/usr/bin/python3
"$python" -c 'import pyftpdlib' 2>/dev/null || python=python3
"$python" -c 'import pyftpdlib' 2>/dev/null || die "the Python module pyftpdlib is missing: tests/run installs it"
exec "$python" -u -c '
import sys
from pyftpdlib.authorizers import DummyAuthorizer
from pyftpdlib.handlers import FTPHandler
from pyftpdlib.servers import FTPServer

class Handler(FTPHandler):
    authorizer = DummyAuthorizer()
    masquerade_address = "127.0.0.1"

Handler.authorizer.add_user("depot", "yard", sys.argv[1], perm="elrd")
FTPServer(("127.0.0.1", int(sys.argv[2])), Handler).serve_forever()
' "$dir" "$port" >>"$run/log" 2>&1
