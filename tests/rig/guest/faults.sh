# faults.sh: buses that are missing, go down, come back, babble and lie; a wrong configuration; a
# full disk. Nothing ends the watch, and everything is told.
# host: rig_scenario n2k 0 120 >scenario.log
. ./verdicts.sh

told() { grep -q "$1" /tmp/watch.err; }
mark() { seen=$(wc -l </tmp/watch.err); }
told_since() { tail -n +$((seen + 1)) /tmp/watch.err | grep -q "$1"; }
resident_kb() { awk '/^VmRSS/ { print $2 }' "/proc/$watch/status"; }

cat >/tmp/boat.conf <<'END'
[bus can0]
[bus vcan0]
restart_s = 1
[engine 0]
label = main engine
END
can_up can1
sightbowl watch --db /log/boat.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
expect "a bus that is down is told" wait_for 10 told "can0: the link is down; waiting for it"
expect "a bus that is missing is told" wait_for 10 told "vcan0: there is no such interface; waiting for it"

can_up can0
expect "a link that comes up is listened to" wait_for 10 told "can0: listening at 250000 bit/s"
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
expect "an interface that appears is listened to" wait_for 10 told "vcan0: listening"

mark
/usr/bin/ip link set can0 down
expect "a link that goes down is told" wait_for 10 told_since "can0: the link .* down"
mark
/usr/bin/ip link set can0 up
expect "and listened to again" wait_for 10 told_since "can0: listening"
mark
/usr/bin/ip link del vcan0
expect "an interface that goes is told" wait_for 10 told_since "vcan0: there is no such interface"
mark
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
expect "and listened to when it is back" wait_for 10 told_since "vcan0: listening"
mark
for turn in 1 2 3 4 5 6 7 8 9 10; do
	/usr/bin/ip link set can0 down
	/usr/bin/ip link set can0 up
done
expect "after ten quick turns it listens, and how many were not told is told" \
	wait_for 120 told_since "can0: listening .* before this were not told singly"

for storm in claims babble liar errors full; do
	rig_sender $storm vcan0 1900 20 >/tmp/sent
	expect "after a storm of $storm it is alive, $(resident_kb) kB resident" kill -0 $watch
done
expect "error frames were read: $(grep vcan0: /tmp/watch.err | tail -1)" told "vcan0: .*error frame"
expect "resident memory stays below 16 MiB after random traffic" test "$(resident_kb)" -lt 16384

kill -HUP $watch
expect "SIGHUP rereads the configuration" wait_for 5 told "the configuration was reread"
echo "label" >>/tmp/boat.conf
kill -HUP $watch
expect "a wrong one is told by file and line" wait_for 5 told "boat.conf:6: .*old configuration stays"
sed -i '$d' /tmp/boat.conf

# What a good bus says still counts.
rig_sender log can1 1 scenario.log >/tmp/sent
dd if=/dev/zero of=/log/ballast bs=64k >/dev/null 2>&1
rig_sender log can1 1 scenario.log >/tmp/sent
# A reader makes it commit, at most each 27 s: ask again.
full_is_told() {
	sightbowl runs --db /log/boat.db --csv >/tmp/runs 2>&1
	sleep 2
	told "no room left to write log"
}
expect "a full disk is told" wait_for 4 full_is_told
expect "and it goes on watching" kill -0 $watch
rm /log/ballast
expect "the log is written again when there is room" wait_for 60 told "the log is written again"

kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
expect "the log is sound" test "$(sqlite3 /log/boat.db 'PRAGMA integrity_check')" = ok
expect "runs were logged" test "$(sqlite3 /log/boat.db 'SELECT count(*) FROM runs')" -ge 1
expect "they are not too many: $(wc -l </tmp/watch.err)" test "$(wc -l </tmp/watch.err)" -lt 80
expect "nothing of a library is in the messages" test "$(grep -vc "^sightbowl watch: " /tmp/watch.err)" -eq 0
cat /tmp/watch.err
