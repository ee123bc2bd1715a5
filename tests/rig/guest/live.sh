# live.sh: a piece of a season on a real kernel's bus, watched and replayed: the same facts, and the same learned
# of filters, burn and tank. It goes on from a log of what came before, which knows something by then, and it
# begins five minutes before the burn is found too high.
# host: sightbowl demo --hours 30 --rates real --compression zstd --folder season --write-only >/dev/null 2>&1
# host: sightbowl replay --db whole.db --config season/boat.conf season/season.log.zst >/dev/null 2>&1
# host: sqlite3 whole.db "SELECT strftime('%s', min(raised_utc)) - 300 FROM event_list WHERE kind = 'burn-high'" >from
# host: zstd -dc season/season.log.zst | awk -v from=$(cat from) '{ t = substr($1, 2) + 0 } t < from { print } t >= from { print >"scenario.log" } t > from + 540 { exit }' | sightbowl replay --db before.db --config season/boat.conf - >/dev/null 2>&1
# host: mv season/boat.conf boat.conf && rm -r season whole.db*
. ./verdicts.sh

can_up can0
can_up can1
cp before.db /log/live.db
cp before.db /log/replayed.db
candump -L can0 >/tmp/heard.log &
candump=$!
sightbowl watch --db /log/live.db --config boat.conf --bus can0 2>/tmp/watch.err &
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
sightbowl replay --db /log/replayed.db --config boat.conf /tmp/heard.log >/tmp/replay.out 2>&1
same_logs /log/live.db /log/replayed.db
for table in windows runs trips events filter_course filter_states burn_points tank_states sessions; do
	for log in /log/live.db before.db; do
		sqlite3 -cmd ".mode quote" $log "SELECT * FROM $table" >/tmp/now.$(basename $log)
	done
	expect "something was told of $table" sh -c "! cmp -s /tmp/now.live.db /tmp/now.before.db"
done
expect "the log is sound" test "$(sqlite3 /log/live.db 'PRAGMA integrity_check')" = ok
cat /tmp/watch.err /tmp/replay.out /tmp/meanwhile2.csv
