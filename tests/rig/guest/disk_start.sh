# disk_start.sh: the watch starts while its disk is read-only, then while it is full, then where no log can be made
# yet. It watches and tells; whoever reads, reads what is there; when the disk lets it, nothing was lost.
# host: rig_scenario n2k 600 420 >scenario.log
. ./verdicts.sh

told() { grep -q "$1" /tmp/watch.err; }
start() { # LOG
	: >/tmp/watch.err # what the one before said is not waited for
	sightbowl watch --db "$1" --bus vcan0 2>/tmp/watch.err &
	watch=$!
	# The guest's clock runs on while the host reads the disk: it may be a matter of seconds there.
	expect "the watch begins" wait_for 120 grep -q "vcan0: listening" /tmp/watch.err
}
# A piece of the scenario, which is also recorded: NUMBER, and what happens in the middle of it.
piece() {
	candump -L vcan0 >/tmp/heard$1.log &
	candump=$!
	rig_sender log vcan0 1 /tmp/piece$1.log >/tmp/sent &
	sender=$!
	sleep 60
	[ -z "${2:-}" ] || "$2"
	wait $sender
	sleep 2
	kill $candump
}
stop() {
	kill -TERM $watch
	wait $watch
	expect "SIGTERM ends it with status 0" test $? -eq 0
	cat /tmp/watch.err
}
same_as_replayed() { # LOG PIECES…
	replay_log=$1
	shift
	rm -f /tmp/replayed.db*
	for number in "$@"; do
		sightbowl replay --db /tmp/replayed.db /tmp/heard$number.log >/tmp/replay.out 2>&1
	done
	expect "the log is sound" test "$(sqlite3 $replay_log 'PRAGMA integrity_check')" = ok
	same_logs $replay_log /tmp/replayed.db # nothing was lost
}
readers_read() { # REASON
	expect "runs are read" sightbowl runs --db /log/disk.db
	expect "status says why nothing is written" sh -c "sightbowl status --db /log/disk.db | grep -q '$1'"
}
while_read_only() {
	readers_read "its file system is read-only"
	mount -o remount,rw /log
	expect "it writes when it may" wait_for 60 told "the log is written again"
}
while_full() {
	readers_read "its disk is full"
	rm /log/ballast
	expect "it writes when there is room" wait_for 60 told "the log is written again"
}
while_there_is_none() {
	expect "no log was made" test ! -e /log/new.db
	mount -o remount,rw /log
	expect "it makes the log when it may" wait_for 60 told "the log is written again"
}

dmesg -n 1 # what the kernel says of its disk must not run into the verdicts
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
lines=$(wc -l <scenario.log)
head -n $((lines / 3)) scenario.log >/tmp/piece1.log
head -n $((2 * lines / 3)) scenario.log | tail -n +$((lines / 3 + 1)) >/tmp/piece2.log
tail -n +$((2 * lines / 3 + 1)) scenario.log >/tmp/piece3.log

start /log/disk.db
piece 1
stop

echo u >/proc/sysrq-trigger
wait_for 20 sh -c 'grep " /log " /proc/mounts | grep -q " ro[, ]"'
expect "the file system is read-only" sh -c 'grep " /log " /proc/mounts | grep -q " ro[, ]"'
start /log/disk.db
expect "that is told" told "read-only.*it goes on watching"
piece 2 while_read_only
stop

dd if=/dev/zero of=/log/ballast bs=64k >/dev/null 2>&1
dd if=/dev/zero of=/log/ballast bs=4k oflag=append conv=notrunc >/dev/null 2>&1
start /log/disk.db
expect "a full disk is told" told "No space left.*it goes on watching\|no room left.*it goes on watching"
piece 3 while_full
stop
same_as_replayed /log/disk.db 1 2 3

mount -o remount,ro /log
start /log/new.db
expect "that no log can be made is told" told "read-only.*it goes on watching"
piece 1 while_there_is_none
stop
same_as_replayed /log/new.db 1
