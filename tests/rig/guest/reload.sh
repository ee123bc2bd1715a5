# reload.sh: SIGHUP through a bus that is full all the time, on a real kernel's sockets: every frame is counted and kept,
# whatever is changed; also while the log is committed, while the disk is full, and at the end. And a link
# that goes up and down each second.
# host: echo "seconds=${RIG_SECONDS:-30}" >seconds.sh
. ./verdicts.sh
. ./seconds.sh

rate=1908 # full.sh says why
told() { grep -q "$1" /tmp/watch.err; }
rereads() { grep -c "the configuration was reread" /tmp/watch.err; }
counted() { wget -q -O - "$page/api/v1/buses.csv" | awk -F, '$1 == "vcan0" { print $5, $6 }'; }
captures() { zstd -dc /log/one/*.zst /log/other/*.zst; }

begin='[bus vcan0]'
printf '%s\n[log]\ncapture_folder = /log/one\n' "$begin" >/tmp/conf.0
printf '%s\nrestart_s = 5\n[bus vcan1]\n[log]\ncapture_folder = /log/other\ncapture_mb = 100\n' "$begin" >/tmp/conf.1
printf '[bus vcan1]\n%s\n[log]\ncapture_folder = /log/other\n[boat]\nname = Other\n' "$begin" >/tmp/conf.2
# Without raw frames the kernel filters: nothing but 29-bit frames.
printf '%s\n' "$begin" >/tmp/conf.3
touch -d '2026-01-01 00:00:00' /tmp/conf.*
take() { # NUMBER: replaced whole, as it should be
	cp -p "/tmp/conf.$1" /tmp/new.conf
	mv /tmp/new.conf /tmp/boat.conf
	kill -HUP $watch
}
# signals SENDER CONFIGURATION…: each 100 ms another one, until that is done.
signals() {
	signals_sender=$1
	shift
	while kill -0 $signals_sender 2>/dev/null; do
		for configuration in "$@"; do
			take "$configuration"
			sleep 0.1
		done
	done
}

for name in vcan0 vcan1; do
	/usr/bin/ip link add dev $name type vcan
	/usr/bin/ip link set $name up
done
/usr/bin/ip link set lo up
cp -p /tmp/conf.0 /tmp/boat.conf
sightbowl watch --db /log/boat.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
wait_for 10 told "vcan0: listening"
page=$(sed -n 's/.*page is at \(.*\)\/$/\1/p' /tmp/watch.err | head -1)

# 1. Folders, buses and the boat's name change; every frame is kept.
rig_sender full vcan0 $rate "$seconds" >/tmp/sent &
signals $! 0 1 2
sent=$(cut -d' ' -f2 /tmp/sent)
wait_for 5 test "$(counted)" = "$sent 0"
number "frames sent: $sent; heard and dropped: $(counted); configurations reread: $(rereads)"
expect "every frame was heard, none dropped" test "$(counted)" = "$sent 0"
expect "through many signals ($(rereads))" test "$(rereads)" -gt $((seconds * 3))
take 1 # ends the open capture …
sleep 1
take 0 # … and the one behind it
sleep 1
kept=$(captures | grep -c ' vcan0 ')
expect "the captures are whole, and hold every frame ($kept)" test "$kept" -eq "$sent"
expect "vcan0 was opened once" test "$(grep -c "vcan0: listening" /tmp/watch.err)" -eq 1

# 2. Recording is switched on and off: the filter changes on the open socket.
before=$(rereads)
rig_sender full vcan0 $rate "$seconds" >/tmp/sent.more &
signals $! 3 0
sent_more=$(cut -d' ' -f2 /tmp/sent.more)
sleep 1
total=$((sent + sent_more))
number "frames sent: $total; heard and dropped: $(counted); configurations reread: $(($(rereads) - before))"
expect "every frame was heard while recording went on and off" test "$(counted)" = "$total 0"
take 3
sleep 1
expect "each capture is whole" sh -c "zstd -qt /log/one/*.zst /log/other/*.zst"
twice=$(captures | grep ' vcan0 ' | sort | uniq -d | wc -l)
expect "no frame is kept twice" test "$twice" -eq 0

# 3. While the log is committed, and while the disk is full.
rig_sender full vcan0 $rate 40 >/tmp/sent.third &
sender=$!
(
	for turn in 1 2 3 4 5 6 7 8; do
		sightbowl runs --db /log/boat.db --csv >/dev/null 2>&1
		sleep 4
	done
) &
readers=$!
sleep 5
dd if=/dev/zero of=/log/ballast bs=64k >/dev/null 2>&1
for turn in $(seq 100); do
	take $((turn % 2 * 3))
	sleep 0.1
done
expect "with the disk full it goes on" kill -0 $watch
rm /log/ballast
signals $sender 3 0
wait $readers
total=$((total + $(cut -d' ' -f2 /tmp/sent.third)))
sleep 1
number "frames sent: $total; heard and dropped: $(counted)"
expect "every frame was heard while the disk was full" test "$(counted)" = "$total 0"

# 4. A new folder that cannot be made keeps the old configuration.
printf '%s\n[log]\ncapture_folder = /log/nowhere/at/all\n' "$begin" >/tmp/conf.4
touch -d '2026-01-01 00:00:00' /tmp/conf.4
take 4
expect "a folder that cannot be made is told, the old configuration stays" \
	wait_for 5 told "capture_folder: raw frames cannot be kept in '/log/nowhere/at/all'.*the old configuration stays"

# 5. A plug that is loose: up and down each second.
take 3
sleep 70
lines=$(wc -l </tmp/watch.err)
for turn in $(seq 120); do
	/usr/bin/ip link set vcan0 down
	sleep 0.5
	/usr/bin/ip link set vcan0 up
	sleep 0.5
done
flapping=$(tail -n +$((lines + 1)) /tmp/watch.err | grep -c "vcan0: ")
number "lines in the journal for 240 changes of a link: $flapping"
expect "they are bounded" test "$flapping" -le 12
expect "how many were not told is told" wait_for 100 told "vcan0: listening.* before this were not told singly"

# 6. SIGHUP and SIGTERM at once.
kill -HUP $watch
kill -TERM $watch
kill -HUP $watch
wait $watch
expect "SIGTERM in the middle of signals ends it with status 0" test $? -eq 0
expect "the log is sound" test "$(sqlite3 /log/boat.db 'PRAGMA integrity_check')" = ok
grep -v "was reread" /tmp/watch.err | tail -60
