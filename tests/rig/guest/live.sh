# live.sh: the scenario on a real kernel's bus, watched and replayed: the same facts.
# host: rig_scenario n2k 0 600 >scenario.log
. ./verdicts.sh

can_up can0
can_up can1
candump -L can0 >/tmp/heard.log &
candump=$!
sightbowl watch --db /log/live.db --bus can0 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "can0: listening at 250000" /tmp/watch.err
expect "watch listens and tells the bit rate" grep -q "can0: listening at 250000" /tmp/watch.err
rig_sender log can1 1 scenario.log >/tmp/sent
sent=$(cut -d' ' -f2 /tmp/sent)
# A reader meanwhile sees what is up to date, and does not disturb.
sightbowl runs --db /log/live.db --csv >/tmp/meanwhile.csv 2>/tmp/meanwhile.err
sleep 2
sightbowl runs --db /log/live.db --csv >/tmp/meanwhile2.csv 2>/tmp/meanwhile.err
expect "a reader meanwhile sees the run that is under way" test "$(wc -l </tmp/meanwhile2.csv)" -ge 2
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $candump
sleep 0.5
heard=$(wc -l </tmp/heard.log)
expect "every frame was recorded beside it ($sent)" test "$heard" -eq "$sent"
expect "nothing was dropped" test "$(grep -c dropped /tmp/watch.err)" -eq 0
expect "it sent no frame: $(cat /sys/class/net/can0/statistics/tx_packets)" \
	test "$(cat /sys/class/net/can0/statistics/tx_packets)" -eq 0
sightbowl replay --db /log/replayed.db /tmp/heard.log >/tmp/replay.out 2>&1
for table in sessions slots windows minutes trips runs events; do
	for db in live replayed; do
		sqlite3 /log/$db.db "SELECT quote(t.rowid), t.* FROM $table AS t ORDER BY 1" >/tmp/$db.$table 2>&1
	done
	if cmp -s /tmp/live.$table /tmp/replayed.$table; then
		ok "the same $table ($(wc -l </tmp/live.$table) rows)"
	else
		fail "the $table differ"
		diff /tmp/live.$table /tmp/replayed.$table | head -10
	fi
done
expect "there is a run in it" test "$(wc -l </tmp/live.runs)" -ge 1
expect "the log is sound" test "$(sqlite3 /log/live.db 'PRAGMA integrity_check')" = ok
cat /tmp/watch.err /tmp/replay.out /tmp/meanwhile2.csv
