# trouble.sh: what befalls a bus while an engine runs, each told as an event with its life, and the journal in
# words: the interface unplugged and back, down and up, silence, bus-off, floods, storms, babbling, a liar.
# host: rig_scenario n2k 900 300 >scenario.log
. ./verdicts.sh

count() { events | grep -c "^$1|"; }
listening() { grep "$1: " /tmp/watch.err | tail -1 | grep -q listening; }
# The scenario's engine, on can0, from the start of the piece; it runs above idle all along.
engine() {
	rig_sender log can1 1 scenario.log >/tmp/sent &
	sender=$!
}
# What vcan0 carries until the next call.
carry() { # KIND RATE
	quiet
	rig_sender "$1" vcan0 "$2" 3000 >/dev/null &
	storm=$!
}
quiet() {
	[ -z "$storm" ] || kill "$storm" 2>/dev/null
	storm=
}
storm=

cat >/tmp/boat.conf <<'END'
[bus can0]
[bus vcan0]
END
can_up can0
can_up can1
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
sightbowl watch --db /log/boat.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
expect "it listens on both" wait_for 20 sh -c "grep -q 'can0: listening' /tmp/watch.err && grep -q vcan0:.listening /tmp/watch.err"

# 1. Silence with an engine known to run.
engine
sleep 100
kill $sender
expect "silence while the engine runs is a bus-fault" has bus-fault 0 "Nothing is heard on can0"
engine
expect "which traffic clears" has bus-fault 1 "Nothing is heard on can0"

# 2. Down for longer than a minute, and up.
/usr/bin/ip link set can0 down
expect "an interface that stays down is a bus-fault" has bus-fault 0 "interface can0 is down"
/usr/bin/ip link set can0 up
wait_for 20 listening can0
expect "cleared when it is up" has bus-fault 1 "interface can0 is down"

# 3. Unplugged and back: the adapter's driver goes and comes.
kill $sender 2>/dev/null
wait $sender 2>/dev/null
/usr/bin/ip link set can0 down
/usr/bin/ip link set can1 down
rmmod kvaser_pci
expect "an adapter that is unplugged is told" wait_for 20 grep -q "can0: there is no such interface" /tmp/watch.err
expect "and is a bus-fault" has bus-fault 0 "interface can0 is gone"
insmod /modules/kvaser_pci.ko* || fail "the driver cannot be loaded again"
can_up can0
can_up can1
expect "plugged in again it is listened to" wait_for 20 listening can0
expect "and the fault is cleared" has bus-fault 1 "interface can0 is gone"

# 4. Error frames, as a controller with a wiring fault sends them (a virtual bus passes them on), and the others.
carry stuff 100
expect "a flood of error frames is a bus-fault with its usual cause" has bus-fault 0 "errors a second on vcan0, mostly: .*wrong bit rate"
carry full 200
expect "cleared by a minute of quiet" has bus-fault 1 "errors a second on vcan0"
quiet
rig_sender busoff vcan0 1 1 >/dev/null
expect "bus-off is a bus-fault" has bus-fault 0 "controller of vcan0 has left the bus"
rig_sender restarted vcan0 1 1 >/dev/null
carry full 200
expect "cleared by a restart" has bus-fault 1 "controller of vcan0 has left the bus"
carry onebabbler 1500
expect "a sender that fills the bus is a bus-fault and named" has bus-fault 0 "Address 119 on vcan0"
carry full 200
expect "cleared when it stops" has bus-fault 1 "Address 119 on vcan0"
carry claims 50
expect "address claims without end are a bus-fault" has bus-fault 0 "claimed on vcan0"
carry full 200
expect "cleared when they end" has bus-fault 1 "claimed on vcan0"
quiet

# 5. Random bytes in every known message, and random frames.
rig_sender liar vcan0 1000 20 >/dev/null
rig_sender babble vcan0 1900 20 >/dev/null
expect "after a liar and a babbler it lives" kill -0 $watch

kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
expect "the log is sound" test "$(sqlite3 /log/boat.db 'PRAGMA integrity_check')" = ok
expect "no fault of a bus is told twice over: $(count bus-fault)" test "$(count bus-fault)" -ge 2 -a "$(count bus-fault)" -le 9
expect "no sender is told lost for a bus that was" test "$(events | grep '^source-lost|' | grep -c can0)" -eq 0
expect "it sent nothing" test "$(cat /sys/class/net/can0/statistics/tx_packets)" -eq 0
events
cat /tmp/watch.err
