#!/bin/sh
# Process 1 of the guest. SHARE and MODS come from the kernel's command line.
export PATH=/usr/sbin:/usr/bin:/sbin:/bin
mount -t proc proc /proc
mount -t sysfs sysfs /sys
mkdir -p /dev/pts /dev/shm 2>/dev/null
mount -t devpts devpts /dev/pts
mount -t tmpfs tmpfs /dev/shm
mount -t tmpfs tmpfs /run
mount -t hostfs none "$SHARE" -o "$SHARE"
# can-dev comes before vcan and slcan; with echo=1 a frame that the queue loses is not shown as sent
for m in drivers/net/can/dev/can-dev net/can/can net/can/can-raw net/can/can-bcm drivers/net/can/vcan \
  drivers/net/can/slcan/slcan net/sched/sch_netem; do
  option=; [ "$m" = drivers/net/can/vcan ] && option=echo=1
  [ -f "$MODS/$m.ko" ] && { insmod "$MODS/$m.ko" $option || echo "insmod $m failed"; }
done
ip link set lo up
ip link add dev vcan0 type vcan && ip link set vcan0 up
sh "$SHARE/.guest/command.sh" > "$SHARE/.guest/stdout" 2> "$SHARE/.guest/stderr" </dev/null
echo $? > "$SHARE/.guest/rc"
sync
exec busybox poweroff -f
