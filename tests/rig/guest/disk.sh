# disk.sh: the disk fills up, is remounted read-only, and breaks, while a season's piece goes by. The watch
# goes on, tells, keeps what it cannot write, and writes it when it can: nothing is lost.
# host: rig_scenario n2k 600 560 >scenario.log
. ./verdicts.sh

told() { grep -q "$1" /tmp/watch.err; }
mark() { seen=$(wc -l </tmp/watch.err); }
told_since() { tail -n +$((seen + 1)) /tmp/watch.err | grep -q "$1"; }
start() {
	: >/tmp/watch.err # what the one before said is not waited for
	sightbowl watch --db /log/disk.db --bus vcan0 2>/tmp/watch.err &
	watch=$!
	# The guest's clock runs on while the host reads the disk: it may be a matter of seconds there.
	expect "the watch begins" wait_for 120 grep -q "vcan0: listening" /tmp/watch.err
}

dmesg -n 1 # what the kernel says of its disk must not run into the verdicts
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
start
candump -L vcan0 >/tmp/heard.log &
candump=$!
rig_sender log vcan0 1 scenario.log >/tmp/sent &
sender=$!

sleep 40
dd if=/dev/zero of=/log/ballast bs=64k >/dev/null 2>&1
sightbowl runs --db /log/disk.db >/dev/null 2>&1 # makes it commit
expect "a full disk is told" wait_for 60 told "no room left\|No space left"
sleep 90
expect "it goes on watching" kill -0 $watch
rm /log/ballast
expect "it writes again when there is room" wait_for 60 told "the log is written again"

mark
echo u >/proc/sysrq-trigger
wait_for 20 sh -c 'grep " /log " /proc/mounts | grep -q " ro[, ]"'
expect "the file system is read-only" sh -c 'grep " /log " /proc/mounts | grep -q " ro[, ]"'
expect "that is told" wait_for 60 told_since "read-only\|Read-only"
sleep 90
expect "it goes on watching" kill -0 $watch
mount -o remount,rw /log
expect "it writes again when it may" wait_for 60 told_since "the log is written again"

wait $sender
sleep 2
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $candump
sleep 0.5
cat /tmp/watch.err
expect "the log is sound" test "$(sqlite3 /log/disk.db 'PRAGMA integrity_check')" = ok
sightbowl replay --db /tmp/replayed.db /tmp/heard.log >/tmp/replay.out 2>&1
same_logs /log/disk.db /tmp/replayed.db # nothing was lost

# The journal is aborted, as after an error of the device: nothing can be written until it is mounted anew.
windows=$(sqlite3 /log/disk.db 'SELECT count(*) FROM windows')
start
rig_sender log vcan0 1 scenario.log >/tmp/sent &
sender=$!
sleep 35
mount -o remount,abort /log
sightbowl runs --db /log/disk.db >/dev/null 2>&1
expect "a broken file system is told" wait_for 60 told "it goes on watching"
sleep 60
expect "it goes on watching" kill -0 $watch
kill $sender
kill -TERM $watch
wait $watch
expect "it ends with status 1" test $? -eq 1
expect "and says that the log is not complete" told "ended without a complete log"
cat /tmp/watch.err
umount /log
mount -t ext4 -o noatime /dev/vda /log
start
sleep 5
kill -TERM $watch
wait $watch
expect "mounted anew, it goes on with status 0" test $? -eq 0
expect "the log is sound" test "$(sqlite3 /log/disk.db 'PRAGMA integrity_check')" = ok
now=$(sqlite3 /log/disk.db 'SELECT count(*) FROM windows')
expect "what was kept before it broke is there: $windows windows, then $now" test "$now" -ge $((windows + 2))
cat /tmp/watch.err
