# full.sh: a bus saturated at 250 kbit/s, for as many minutes of bus time as RIG_MINUTES says.
#
# How many frames that is: a frame with a 29-bit identifier and 8 bytes has 1 start bit, 11 + 1 + 1 + 18
# + 1 bits of identifier, SRR, IDE and RTR, 2 reserved bits, 4 bits of length, 64 of data, 15 + 1 of
# CRC, 2 of acknowledge, 7 of end, and 3 bits lie between frames: 131 bits without stuffing, 1908
# frames a second. Of the 118 bits from start to CRC at most (118 - 1) / 4 = 29 more are stuffed: 160
# bits, 1562 frames a second. (CAN 2.0B; ISO 11898-1.) Random data stuff some 4 bits: 1850. The test
# sends the greatest number.
# host: echo "minutes=${RIG_MINUTES:-3}" >minutes.sh
. ./verdicts.sh
. ./minutes.sh

rate=1908
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
/usr/bin/ip link set lo up
sightbowl watch --db /log/full.db --bus vcan0 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch.err
ticks_of() { awk '{ print $14 + $15 }' "/proc/$watch/stat"; }
resident_kb() { awk '/^VmRSS/ { print $2 }' "/proc/$watch/status"; }
# Asked once it makes the daemon bring the log up to date, asked later it is the log's size.
log_bytes() {
	sqlite3 /log/full.db 'SELECT page_count * page_size FROM pragma_page_count, pragma_page_size'
}
# What the daemon itself counts of its bus: frames heard, frames dropped.
counted() { wget -q -O - "$page/api/v1/buses.csv" | awk -F, '$1 == "vcan0" { print $5, $6 }'; }

sleep 5
log_bytes >/tmp/size
sleep 40
size=$(log_bytes)
sync
sleep 40
sync
bytes=$(disk_bytes)
ticks=$(ticks_of)
start=$(cut -d. -f1 /proc/uptime)
rig_sender full vcan0 $rate $((minutes * 60)) >/tmp/sent &
sender=$!
for tenth in 1 2 3 4 5 6 7 8 9; do
	sleep $((minutes * 6))
	resident_kb >>/tmp/tenths
done
wait $sender
resident_kb >>/tmp/tenths
sent=$(cut -d' ' -f2 /tmp/sent)
seconds=$(($(cut -d. -f1 /proc/uptime) - start))
ticks=$(($(ticks_of) - ticks))
peak=$(awk '/^VmHWM/ { print $2 }' "/proc/$watch/status")
resident=$(resident_kb)
private=$(awk '/^Private|^Rss/ { print }' "/proc/$watch/smaps_rollup" | tr -s ' \n' ' ')
sleep 40
bytes=$(($(disk_bytes) - bytes))
log_bytes >/tmp/size
sleep 40
grown=$(($(log_bytes) - size))
page=$(sed -n 's/.*page is at \(.*\)\/$/\1/p' /tmp/watch.err)
counted >/tmp/counted
# And with the page open: four phones that take live values, while everything else is asked for.
rig_sender full vcan0 $rate 30 >/tmp/sent.page &
sender=$!
streams=
for phone in 1 2 3 4; do
	wget -q -O /tmp/live.$phone "$page/api/v1/live" &
	streams="$streams $!"
done
asked=0
answered=0
for round in 1 2 3; do
	for what in / /page.js /dygraph.min.js /api/v1/overview /api/v1/trips /api/v1/runs /api/v1/events \
		/api/v1/elements /api/v1/coverage /api/v1/buses /api/v1/book /metrics \
		"/drawing/filter.svg?filter=primary" "/drawing/burn.svg?engine=0" \
		"/api/v1/series?signals=engine_speed_rpm:0,fuel_rate_lph:0&since=2000-01-01&until=2100-01-01"; do
		asked=$((asked + 1))
		wget -q -O /tmp/answer "$page$what" && answered=$((answered + 1))
	done
	sleep 5
done
wait $sender
page_peak=$(awk '/^VmHWM/ { print $2 }' "/proc/$watch/status")
kill $streams
number "with the page in use: at most $page_peak kB ($answered of $asked answers, $(cat /tmp/live.* | grep -c '^data') live lines)"
number "frames sent: $sent in $seconds s; heard and dropped: $(cat /tmp/counted)"
number "share of a core: $(awk "BEGIN { printf \"%.2f\", $ticks / $seconds }") % (of a core that does 10^9 instructions a second)"
number "resident: $resident kB, at most $peak kB ($private)"
number "resident in kB, tenth by tenth: $(tr '\n' ' ' </tmp/tenths)"
number "written to the device while it ran: $((bytes * 3600 / seconds / 1000)) kB an hour ($(grep ' /log ' /proc/mounts | cut -d' ' -f4))"
number "the log grew by $((grown / 1000)) kB in these $seconds s"
kill -TERM $watch
wait $watch
expect "every frame was heard, none dropped" test "$(cat /tmp/counted)" = "$sent 0" -a \
	"$(grep -c dropped /tmp/watch.err)" -eq 0
expect "less than 1 % of a core" test $((ticks)) -lt $((seconds))
expect "less than 10 MiB resident" test "$peak" -lt 10240
expect "the page was in use" test "$answered" -eq "$asked" -a "$(grep -c '^data' /tmp/live.4)" -ge 10
expect "less than 10 MiB resident with the page in use" test "$page_peak" -lt 10240
expect "the log is sound" test "$(sqlite3 /log/full.db 'PRAGMA integrity_check')" = ok
cat /tmp/watch.err
