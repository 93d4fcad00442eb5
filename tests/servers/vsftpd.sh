#!/usr/bin/env bash
# vsftpd.sh DIR PORT RUNDIR      FTP, user "anonymous" with any password, reading alone, no MLSD
# A session that runs when the listener ends lives until its client leaves. As root the tree is the root ("/") of the
# session; otherwise paths are those of the machine, with DIR as the folder one is in after the login.
. "$(dirname "$0")/common.sh"
need vsftpd
mkdir -p "$run/empty"
cat > "$run/vsftpd.conf" <<C
listen=YES
background=NO
listen_address=127.0.0.1
listen_port=$port
anonymous_enable=YES
local_enable=NO
write_enable=NO
anon_root=$dir
anon_world_readable_only=NO
pasv_address=127.0.0.1
secure_chroot_dir=$run/empty
vsftpd_log_file=$run/log
xferlog_enable=YES
xferlog_std_format=NO
isolate=NO
isolate_network=NO
seccomp_sandbox=NO
C
[ "$(id -u)" = 0 ] || echo "run_as_launching_user=YES" >> "$run/vsftpd.conf"
exec vsftpd "$run/vsftpd.conf"
