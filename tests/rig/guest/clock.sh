# clock.sh: a computer without a clock of its own: it starts in 1970, logs, is set right a while later,
# and once more back and on. Hours and litres are those of the bus, and each step is told.
# host: rig_scenario j1939 600 600 >scenario.log
. ./verdicts.sh

/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
right=$(date +%s)
date -s @1000 >/dev/null
sightbowl watch --db /log/clock.db --bus vcan0 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch.err
rig_sender log vcan0 1 scenario.log >/tmp/sent &
sender=$!
sleep 120
date -s @$((right + 120)) >/dev/null
sleep 120
date -s @$(($(date +%s) - 3600)) >/dev/null
sleep 120
date -s @$(($(date +%s) + 3600)) >/dev/null
wait $sender
sleep 2
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
expect "each step was told ($(grep -c 'clock was set' /tmp/watch.err))" \
	test "$(grep -c 'clock was set' /tmp/watch.err)" -eq 3
sightbowl replay --db /log/even.db scenario.log >/tmp/replay.out 2>&1
sqlite3 /log/clock.db "SELECT count(*), sum(engine_h), sum(fuel_l) FROM runs" >/tmp/stepped
sqlite3 /log/even.db "SELECT count(*), sum(engine_h), sum(fuel_l) FROM runs" >/tmp/even
number "runs, hours and litres with the steps: $(cat /tmp/stepped); without: $(cat /tmp/even)"
expect "the steps made no run more" \
	test "$(cut -d'|' -f1 /tmp/stepped)" -eq "$(cut -d'|' -f1 /tmp/even)"
expect "they cost no engine time" awk "BEGIN {
	lost = ($(cut -d'|' -f2 /tmp/even) - $(cut -d'|' -f2 /tmp/stepped)) * 3600
	exit !(lost > -0.3 && lost < 0.3) }"
expect "and less than 0.1 % of the litres" awk "BEGIN {
	share = $(cut -d'|' -f3 /tmp/stepped) / $(cut -d'|' -f3 /tmp/even)
	exit !(share > 0.999 && share < 1.001) }"
sqlite3 /log/clock.db "SELECT round(value) FROM events WHERE kind = 'clock-step' ORDER BY event" >/tmp/steps
expect "three events tell of them: $(tr '\n' ' ' </tmp/steps)" test "$(wc -l </tmp/steps)" -eq 3
expect "the second by an hour back" awk 'NR == 2 { exit !($1 < -3598 && $1 > -3602) }' /tmp/steps
cat /tmp/watch.err
