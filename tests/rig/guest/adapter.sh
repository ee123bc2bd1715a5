# adapter.sh: adapters on USB, with the kernel's own drivers for them: bus-off and restart by the daemon, with
# and without the permission; a controller that becomes error-passive; unplugged and back; and receive
# times of the controller's own clock. The adapters' bus is a virtual one (rig_adapter.c).
# host: rig_scenario n2k 900 300 >scenario.log; rig_scenario n2k 900 120 >short.log
. ./verdicts.sh

told() { grep -q "$1" /tmp/watch.err; }
mark() { seen=$(wc -l </tmp/watch.err); }
told_since() { tail -n +$((seen + 1)) /tmp/watch.err | grep -q "$1"; }
state_is() { /usr/bin/ip -d link show can2 | grep -q "state $1"; }
restarts() { /usr/bin/ip -d -s link show can2 | awk 'seen { print $1; exit } /re-started/ { seen = 1 }'; }
plug() { # KIND PORT BUS: its interface is can2 or can3
	rig_adapter "$1" "$2" "$3" >>/tmp/sent_by_host &
	adapter=$!
}
there() { /usr/bin/ip link show "$1" >/dev/null 2>&1; }
engine() {
	rig_sender log wire2 1 scenario.log >/tmp/sent &
	sender=$!
}

dmesg -n 1
load usb-common usbcore usbip-core vhci-hcd gs_usb usb_8dev
for wire in wire2 wire3; do
	/usr/bin/ip link add dev $wire type vcan
	/usr/bin/ip link set $wire up
done
cat >/tmp/boat.conf <<'END'
[bus can2]
restart_s = 3
[web]
listen = none
END
sightbowl watch --db /log/boat.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
expect "an adapter that is not plugged in is waited for" wait_for 10 told "can2: there is no such interface"
plug restarting 0 wire2
expect "plugged in it has an interface" wait_for 10 there can2
expect "which comes up listen-only" can_up can2 listen-only on
expect "and is listened to: rate, mode, state" wait_for 10 told "can2: listening at 250000 bit/s, listen-only, controller error-active"
engine
sleep 70

# 1. Bus-off: the controller has left the bus, and hears nothing until it is restarted.
mark
rig_sender busoff wire2 1 1 >/dev/null
expect "bus-off is told" wait_for 10 told_since "can2: .*bus-off"
expect "and that the daemon restarted it" wait_for 10 told_since "can2: the controller was restarted after bus-off"
expect "an event tells of it, cleared" has bus-fault 1 "controller of can2 has left the bus"
before=$(sqlite3 /log/boat.db "SELECT count(*) FROM windows")
sleep 60
sightbowl runs --db /log/boat.db >/dev/null 2>&1
sleep 30
expect "it hears the bus again" test "$(sqlite3 /log/boat.db 'SELECT count(*) FROM windows')" -gt $((before + 3))

# Its driver goes on saying that it is off.
expect "and was restarted once" test "$(restarts)" = 1

# 2. Errors without end: error-passive, and well again when they end.
mark
rig_sender stuff wire2 100 70 >/dev/null
expect "a controller that becomes error-passive is told" told_since "can2: .*passive"
expect "the kernel says so too" state_is ERROR-PASSIVE
expect "check tells it, and its counters" sh -c "sightbowl check --config /tmp/boat.conf --db /log/boat.db --csv 2>&1 |
	grep -q 'bus can2,.*error-passive, 0 errors sending and 12[0-9] receiving'"
expect "it is an event" has bus-fault 0 "can2"
rig_sender full wire2 200 3000 >/dev/null &
good=$!
expect "good frames make it well" wait_for 60 state_is ERROR-ACTIVE
expect "and clear the event" has bus-fault 1 can2
kill $good

# 3. Without the permission to restart.
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
events
cat /tmp/watch.err
chmod 777 /log
chmod 666 /log/boat.db*
mkdir -p /etc
: >/tmp/watch.err
echo "other:x:65534:65534::/tmp:/bin/sh" >/etc/passwd
start-stop-daemon -S -c other:65534 -x /usr/bin/sightbowl -- watch --db /log/boat.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
expect "another user may listen" wait_for 10 told "can2: listening at 250000"
rig_sender busoff wire2 1 1 >/dev/null
expect "that it may not restart is told" wait_for 20 told "can2: the controller is bus-off and cannot be restarted: Operation not permitted"
expect "and once" sh -c "sleep 10; test \$(grep -c 'cannot be restarted' /tmp/watch.err) -eq 1"
expect "the controller stays off" state_is BUS-OFF
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $sender 2>/dev/null
cat /tmp/watch.err

# 4. The controller's own receive times: frames reach the host up to 20 ms late.
mkdir /log/captures
cat >/tmp/stamped.conf <<'END'
[bus can3]
[web]
listen = none
[log]
capture_folder = /log/captures
capture_mb = 10
END
plug stamping 1 wire3
wait_for 10 there can3
expect "an adapter that stamps frames comes up" can_up can3
candump -L wire3 >/tmp/truth.log &
truth=$!
candump -L can3 >/tmp/late.log &
late=$!
sightbowl watch --db /log/stamped.db --config /tmp/stamped.conf 2>/tmp/watch.err &
watch=$!
wait_for 10 told "can3: listening"
rig_sender log wire3 1 short.log >/tmp/sent
sleep 3
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $truth $late
sleep 1
zstd -dc /log/captures/*.zst >/tmp/ours.log
# The spread (90 % of the frames; the 1 is for an awk that takes 012 for octal) of the time that a log gives a frame after it was on the wire, in µs.
spread() {
	sed 's/[()]//g' /tmp/truth.log | awk '{ print $1 }' >/tmp/a
	sed 's/[()]//g' "$1" | awk '{ print $1 }' >/tmp/b
	paste /tmp/a /tmp/b | awk '{ split($1, a, "."); split($2, b, "."); print (b[1] - a[1]) * 1000000 + ("1" b[2]) - ("1" a[2]) }' |
		tail -n +200 | sort -n | awk '{ d[NR] = $1 } END { print d[int(NR * 0.95)] - d[int(NR * 0.05) + 1] }'
}
expect "all frames were heard" test "$(wc -l </tmp/ours.log)" -eq "$(cut -d' ' -f2 /tmp/sent)" -a \
	"$(wc -l </tmp/late.log)" -eq "$(wc -l </tmp/ours.log)"
number "the host's own times spread over $(spread /tmp/late.log) µs, the daemon's over $(spread /tmp/ours.log) µs"
expect "the host gets them late" test "$(spread /tmp/late.log)" -gt 10000
expect "the daemon takes the controller's time" test "$(spread /tmp/ours.log)" -lt 3000
sightbowl replay --db /log/replayed.db --config /tmp/stamped.conf /log/captures/*.zst >/dev/null 2>&1
same_logs /log/stamped.db /log/replayed.db
cat /tmp/watch.err

# 5. Unplugged while an engine runs, and back. (usb_8dev in this kernel frees its buffers twice then.)
sightbowl watch --db /log/boat.db --config /tmp/stamped.conf 2>/tmp/watch.err &
watch=$!
wait_for 10 told "can3: listening"
rig_sender log wire3 1 scenario.log >/tmp/sent &
sender=$!
sleep 100
mark
kill $adapter
expect "unplugged is told" wait_for 10 told_since "can3: there is no such interface\|can3: the interface is gone"
expect "and is an event" has bus-fault 0 "interface can3 is gone"
mark
plug stamping 1 wire3
wait_for 10 there can3
can_up can3
expect "plugged in again it is listened to" wait_for 15 told_since "can3: listening at 250000"
expect "and the event is cleared" has bus-fault 1 "interface can3 is gone"
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
expect "nothing was sent to an adapter" test ! -s /tmp/sent_by_host
expect "nothing of a library is in the messages" test "$(grep -vc "^sightbowl watch: " /tmp/watch.err)" -eq 0
expect "the log is sound" test "$(sqlite3 /log/boat.db 'PRAGMA integrity_check')" = ok
events
cat /tmp/watch.err
dmesg | grep -i "usb\|can2\|can3" | tail -20
