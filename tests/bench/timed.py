#!/usr/bin/env python3
"""timed.py FILE COMMAND...: runs the command and writes {"total", "peak_mb", "code"} to FILE: seconds and peak memory.

The peak is that of the command's largest process, and never less than this interpreter's own (some 10 MB).
"""
import json
import resource
import subprocess
import sys
import time

begin = time.monotonic()
code = subprocess.run(sys.argv[2:]).returncode
total = time.monotonic() - begin
peak = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss * 1024 / 1e6
with open(sys.argv[1], "w") as out:
    json.dump({"total": round(total, 3), "peak_mb": round(peak, 1), "code": code}, out)
sys.exit(code)
