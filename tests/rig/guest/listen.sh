# listen.sh: what a live bus carries: senders with what they say of themselves, messages with their rates, bus
# load, and which analyses it permits.
#
# Address 90 is the test's own: its NAME (60928; SAE J1939-81) has the identity 0x12345, the maker's code 1234
# (bits 21 to 31), function 130 and class 25; its product information (126996, 134 bytes by fast packet) a
# model and a software version.
# host: rig_scenario n2k 0 90 >scenario.log
# host: python3 -c 'd = b"\x34\x08\x01\x00" + b"RIG SENDER".ljust(32, b"\xff") + b"1.2.3".ljust(32, b"\xff") + bytes(64) + b"\x01\x01"; print("cansend vcan0 18EEFF5A#4523419A008232C0"); [print("cansend vcan0 1DF0145A#" + (bytes([n]) + (b"\x86" + d[:6] if n == 0 else d[6 + 7 * (n - 1):13 + 7 * (n - 1)]).ljust(7, b"\xff")).hex().upper()) for n in range(20)]' >introduce.sh
. ./verdicts.sh

/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
rig_sender log vcan0 1 scenario.log >/tmp/sent &
sender=$!
sightbowl listen --bus vcan0 --seconds 60 --json >/tmp/listen.json 2>/tmp/listen.err &
listen=$!
sleep 1
for second in $(seq 50); do
	[ $second -ne 5 ] || sh ./introduce.sh
	cansend vcan0 18FF325A#0102030405060708 # a maker's own message (65330)
	sleep 1
done
wait $listen
expect "listen ends by itself with status 0" test $? -eq 0
kill $sender 2>/dev/null
wait $sender 2>/dev/null
sightbowl listen --bus vcan1 --seconds 2 >/tmp/none.out 2>/tmp/none.err
status=$?
expect "without a bus it fails and says which" test $status -eq 1 -a "$(grep -c vcan1 /tmp/none.err)" -ge 1

# The figures, by SQLite's own JSON.
ask() { sqlite3 :memory: "SELECT $1 FROM json_each(readfile('/tmp/listen.json'), '\$.$2') AS row WHERE $3"; }
field() { echo "json_extract(row.value, '\$.$1')"; }
expect "one bus was heard" test "$(ask 'count(*)' buses 1)" -eq 1
frames=$(ask "$(field frames)" buses 1)
expect "with the scenario's frames and ours ($frames)" test "$frames" -gt 500
number "load: $(ask "$(field load_least_pct) || ' to ' || $(field load_most_pct) || ' %, busiest second ' || $(field busiest_second_pct)" buses 1)"
expect "the load is a few percent" sh -c "echo '$(ask "$(field load_most_pct)" buses 1)' | awk '{ exit !(\$1 > 0.1 && \$1 < 50) }'"
expect "the sender that told its name is there with its maker's code" test \
	"$(ask "$(field manufacturer_code)" sources "$(field source) = 90")" = 1234
expect "and its function" test "$(ask "$(field function)" sources "$(field source) = 90")" = 130
expect "and its class" test "$(ask "$(field device_class)" sources "$(field source) = 90")" = 25
expect "its model" test "$(ask "$(field model)" sources "$(field source) = 90")" = "RIG SENDER"
expect "and its software" test "$(ask "$(field software)" sources "$(field source) = 90")" = 1.2.3
unknown=$(ask "$(field count) || ' times, each ' || $(field interval_ms)" messages "$(field source) = 90 AND $(field pgn) = 65330")
expect "its unknown message comes about each second ($unknown ms)" sh -c "echo '$unknown' | awk '{ exit !(\$1 > 30 && \$4 > 900 && \$4 < 1500) }'"
engine=$(ask "$(field interval_ms)" messages "$(field pgn) = 127488 LIMIT 1")
expect "engine speed has its rate (each $engine ms)" sh -c "echo '$engine' | awk '{ exit !(\$1 > 0 && \$1 < 6000) }'"
expect "the fuel rate is among the signals" test "$(ask 'count(*)' signals "$(field signal) LIKE 'fuel_rate%'")" -ge 1
ask "$(field analysis) || ': ' || $(field covered) || '; missing: ' || coalesce($(field missing), '') || '; from: ' || coalesce($(field supplied_by), '')" coverage 1 >/tmp/coverage
expect "fuel burned is covered" grep -q "^fuel burned: yes" /tmp/coverage
expect "the change of burn too" grep -q "^change of burn: [yp]" /tmp/coverage
expect "what is missing is told with the sensor that would supply it" grep -q "missing: [a-z].*from: an* [a-z]" /tmp/coverage
cat /tmp/coverage /tmp/listen.err
