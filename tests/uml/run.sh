#!/bin/bash
# run.sh [-t SECONDS] SHARED_DIR COMMAND: runs COMMAND with sh in a Linux kernel that has SocketCAN, as an ordinary
# program (user-mode Linux: no root, no KVM), and passes on its stdout, stderr and exit status.
# The guest sees the host's files read-only; SHARED_DIR is writable under its own path. vcan0 is up.
# Needs the Debian packages user-mode-linux, busybox-static, iproute2, kmod (and can-utils for the witnesses).
# Exit: the command's own; 124 when the time ran out; 125 when the guest never got there; 77 when there is none.
set -u
here=$(cd "$(dirname "${BASH_SOURCE[0]}")" && pwd)
limit=120
[ "${1:-}" = -t ] && { limit=$2; shift 2; }
[ $# -eq 2 ] || { sed -n 2,6p "$0" >&2; exit 2; }
kernel=${UML_KERNEL:-/usr/bin/linux.uml}
modules=$(echo /usr/lib/uml/modules/*/kernel)
[ -x "$kernel" ] && [ -d "$modules" ] && command -v busybox ip candump slcand >/dev/null || exit 77
mkdir -p "$1/.guest" && share=$(cd "$1" && pwd) || exit 125
case "$share$here" in *[[:space:],]*) echo "paths must hold no blank or comma" >&2; exit 125;; esac
work=$share/.guest
rm -f "$work"/{rc,stdout,stderr,console.log}
{ printf 'export PATH=%q HOME=/root TMPDIR=/run LANG=C.UTF-8 PYTHONDONTWRITEBYTECODE=1\n' "$PATH:/usr/sbin:/sbin"
  printf 'cd %q\n%s\n' "$PWD" "$2"; } > "$work/command.sh"
short=$(mktemp -d /tmp/umlXXXXXX)          # short: a unix socket's path is made in it
trap 'rm -rf "$short"' EXIT
timeout -k 5 "$limit" "$kernel" mem=256M root=/dev/root rootfstype=hostfs rootflags=/ ro init="$here/init.sh" \
  con=null con0=null,fd:1 ssl=null quiet loglevel=4 uml_dir="$short" umid=g SHARE="$share" MODS="$modules" \
  </dev/null >"$work/console.log" 2>&1
ended=$?
cat "$work/stdout" 2>/dev/null
cat "$work/stderr" >&2 2>/dev/null
[ -f "$work/rc" ] && exit "$(cat "$work/rc")"
[ $ended = 124 ] || [ $ended = 137 ] && { echo "guest: time ran out after $limit s" >&2; exit 124; }
echo "guest: ended without a status:" >&2
tail -5 "$work/console.log" >&2
exit 125
