#!/usr/bin/env python3
"""forget.py DIR: drops the files below DIR from the page cache, so that the next reader gets them from the disk.

Only clean pages go, so sync first. Everything else stays cached, unlike with /proc/sys/vm/drop_caches.
"""
import os
import sys

for folder, _, names in os.walk(os.fsencode(sys.argv[1])):
    for name in names:
        file = os.open(os.path.join(folder, name), os.O_RDONLY)
        os.posix_fadvise(file, 0, 0, os.POSIX_FADV_DONTNEED)
        os.close(file)
