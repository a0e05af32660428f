#!/bin/busybox sh
# The guest's only program: loads the fake hardware, lays out the lines, runs
# what the host has put in, and goes out.
/bin/busybox --install -s /bin
export PATH=/bin HOME=/tmp
mount -t proc none /proc
mount -t sysfs none /sys
mount -t devtmpfs none /dev
mount -t tmpfs none /tmp
mount -t tmpfs none /run
for m in configfs i2c-dev gpiosim fakespi fakei2c; do
	insmod /lib/$m.ko || echo "GUEST-FAIL cannot load $m"
done
mount -t configfs none /sys/kernel/config
mount -t debugfs none /sys/kernel/debug
mount -t tracefs none /sys/kernel/tracing

# Two chips: the computer's own pins, and an expander for the end switches.
chip() { # device label lines
	mkdir -p /sys/kernel/config/gpio-sim/$1/bank
	echo $3 >/sys/kernel/config/gpio-sim/$1/bank/num_lines
	echo $2 >/sys/kernel/config/gpio-sim/$1/bank/label
	echo 1 >/sys/kernel/config/gpio-sim/$1/live
}
chip own barn-pins 28
chip expander switches 8

ip link set lo up
export KERFWIND_GUEST=1
cut -d' ' -f1 /proc/uptime | sed 's/^/GUEST-UP after /; s/$/ s/'
status=0
for t in /tests/*; do
	echo "GUEST-RUN $t"
	$t -test.v -test.run Guest -test.timeout 110s || status=1
done
cut -d' ' -f1 /proc/uptime | sed 's/^/GUEST-DOWN after /; s/$/ s/'
[ $status = 0 ] && echo GUEST-PASSED
poweroff -f
