# attack.sh: 200 hostile clients of every kind (rig_attacker.c) against the page, while a full bus is
# logged. The bus loses nothing, memory stays bounded, the log is sound, and when they are gone a good
# client is answered within a second.
# host: rig_scenario n2k 0 900 >scenario.log
# host: echo 'grey heron at anchor' | sightbowl password | sed '1s/^/listen = 0.0.0.0:8790\n/;1s/^/[web]\n/' >boat.conf
. ./verdicts.sh

rate=1908
seconds=6
/usr/bin/ip link set lo up
for last in 1 2 3 4 5 6 7 8 9 20; do
	/usr/bin/ip addr add 10.9.0.$last/24 dev lo
done
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
sightbowl replay --db /log/boat.db scenario.log >/tmp/replay.out 2>&1
sightbowl watch --db /log/boat.db --config boat.conf --bus vcan0 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch.err
good() { rig_attacker ask 10.9.0.1 8790 "$1" "grey heron at anchor" 2>/tmp/body >/tmp/asked; }
status() { cut -d' ' -f1 /tmp/asked; }
took_ms() { cut -d' ' -f2 /tmp/asked; }
resident_kb() { awk '/^VmRSS/ { print $2 }' "/proc/$watch/status"; }
peak_kb() { awk '/^VmHWM/ { print $2 }' "/proc/$watch/status"; }

alone=$(resident_kb)
rig_sender full vcan0 $rate $((seconds + 20)) >/tmp/sent &
sender=$!
# The page in use by one good client.
for asked in / /page.js /api/v1/overview /api/v1/elements /api/v1/events /api/v1/trips \
	/drawing/filter.svg?filter=primary /drawing/burn.svg?engine=0 /api/v1/coverage /metrics \
	"/api/v1/series?signals=fuel_rate_lph&since=2000-01-01&until=2060-01-01"; do
	good "$asked"
	expect "$asked is answered: $(cat /tmp/asked)" test "$(status)" = 200
done
in_use=$(resident_kb)
first_peak=$(peak_kb)

rig_attacker attack 10.9.0.1 8790 $seconds "grey heron at anchor" >/tmp/attack &
attacker=$!
sleep 3
worst=0
busy=0
good_asked=0
while kill -0 $attacker 2>/dev/null; do
	good /api/v1/overview
	good_asked=$((good_asked + 1))
	[ "$(status)" = 200 ] || busy=$((busy + 1))
	[ "$(took_ms)" -le $worst ] || worst=$(took_ms)
	sleep 0.5
done
wait $attacker
good /
expect "the page is answered within a second after it: $(cat /tmp/asked)" \
	test "$(status)" = 200 -a "$(took_ms)" -lt 1000
good /api/v1/overview
expect "and so is a question to the log: $(cat /tmp/asked)" \
	test "$(status)" = 200 -a "$(took_ms)" -lt 1000
peak=$(peak_kb)
while read -r line; do number "$line"; done </tmp/attack
number "meanwhile a good client asked $good_asked times, $busy not answered, at most $worst ms"
number "resident: $alone kB alone, $in_use kB with the page in use (at most $first_peak kB, while a password was proved), at most $peak kB under attack, $(resident_kb) kB after it"
expect "a good client at another address is served meanwhile" test $((busy * 4)) -le $good_asked
# 7 MiB of it are Argon2's, while it looks at one password.
expect "memory is bounded: at most $((peak - in_use)) kB more" test $((peak - in_use)) -lt 10240
expect "and given back: $(($(resident_kb) - in_use)) kB more than before" \
	test $(($(resident_kb) - in_use)) -lt 2048
expect "guesses were refused" grep -q "^guessers: .*answers 2xx 0, 4xx [1-9]" /tmp/attack

wait $sender
sleep 2
good /api/v1/buses.csv
sent=$(cut -d' ' -f2 /tmp/sent)
cat /tmp/body
expect "all $sent frames were taken from the bus, none dropped" \
	grep -q "^vcan0,listening,[^,]*,[^,]*,$sent,0," /tmp/body
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
expect "no frame was dropped" test "$(grep -c dropped /tmp/watch.err)" -eq 0
expect "the log is sound" test "$(sqlite3 /log/boat.db 'PRAGMA integrity_check')" = ok
# The seconds under attack were logged as those before: engine speed was sent all the while.
windows=$(sqlite3 /log/boat.db "SELECT count(*) FROM readings_10s WHERE signal = 'engine_speed_rpm'
	AND start_s >= (SELECT max(start_s) FROM windows) - $seconds")
expect "its windows are there: $windows" test "$windows" -ge $((seconds / 10))
cat /tmp/watch.err
