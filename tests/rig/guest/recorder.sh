# recorder.sh: raw frames into rotating captures: what they hold is what was heard and gives the same log;
# size and age are bounded, other files are left alone; a file that is cut is read up to the cut.
# host: rig_scenario n2k 0 240 >scenario.log
. ./verdicts.sh

folder_kb() { du -k /log/captures | tail -1 | cut -f1; }
ours() { ls /log/captures | grep '^sightbowl-'; }

mkdir /log/captures
cat >/tmp/boat.conf <<'END'
[bus vcan0]
[log]
capture_folder = /log/captures
capture_mb = 1
capture_days = 30
END
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up

# 1. What it holds.
candump -L vcan0 >/tmp/heard.log &
candump=$!
sightbowl watch --db /log/live.db --config /tmp/boat.conf 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch.err
rig_sender log vcan0 1 scenario.log >/tmp/sent
cansend vcan0 123#0102030405
cansend vcan0 1F112233#R
sleep 2
# A power cut ends a file anywhere: a copy of the file as it lies there, and half of it.
cp "/log/captures/$(ours | tail -1)" /tmp/open.log.zst
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $candump
sleep 0.5
expect "one capture was written" test "$(ours | wc -l)" -eq 1
sightbowl replay --db /log/replayed.db /log/captures/sightbowl-*.log.zst >/tmp/replay.out 2>&1
sightbowl replay --db /log/beside.db /tmp/heard.log >/dev/null 2>&1
same_logs /log/live.db /log/replayed.db
# And that is as what was recorded beside it.
same_logs /log/beside.db /log/replayed.db
expect "there is a run in it" test "$(sqlite3 /log/replayed.db 'SELECT count(*) FROM runs')" -ge 1
zstd_lines() { zstd -dc "$1" 2>/dev/null | wc -l; }
expect "line by line it is what candump heard ($(wc -l </tmp/heard.log))" sh -c \
	"zstd -dc /log/captures/sightbowl-*.log.zst | cut -d' ' -f2,3 >/tmp/ours; cut -d' ' -f2,3 /tmp/heard.log | cmp -s - /tmp/ours"

whole=$(wc -l </tmp/heard.log)
found=$(zstd_lines /tmp/open.log.zst)
expect "a copy of the open file holds all but the last 12 s ($found of $whole lines)" test $((found * 240)) -gt $((whole * 226))
sightbowl replay --db /log/open.db /tmp/open.log.zst >/tmp/open.out 2>&1
expect "it can be replayed" test $? -eq 0
# Of what is cut, zstd's own program drops the last piece that it could still read.
read_frames=$(sed -n '/^frames  *known/{n;s/^ *\([0-9]*\).*/\1/p;}' /tmp/open.out)
expect "with all that it holds ($read_frames frames)" test "$read_frames" -ge $((found - 1)) -a "$read_frames" -le "$whole"
size=$(wc -c </tmp/open.log.zst)
for share in 90 50 20; do
	head -c $((size * share / 100)) /tmp/open.log.zst >/tmp/cut$share.log.zst
	found=$(zstd_lines /tmp/cut$share.log.zst)
	sightbowl replay --db /log/cut$share.db /tmp/cut$share.log.zst >/tmp/cut.out 2>&1
	status=$?
	expect "cut to $share % it is read up to the cut ($found lines)" test $status -eq 0 -a $((found * 100)) -gt $((whole * (share - 12)))
	expect "and that it is cut is told" grep -q "yes" /tmp/cut.out
done

# 2. The bounds: an hour-old file of ours, one too old, and somebody else's.
cp /log/captures/sightbowl-*.log.zst /log/captures/sightbowl-2001-01-01T00-00-00Z.log.zst
touch -d '2001-01-01 00:00:00' /log/captures/sightbowl-2001-01-01T00-00-00Z.log.zst
echo mine >/log/captures/notes.log.zst
touch -d '2001-01-01 00:00:00' /log/captures/notes.log.zst
sightbowl watch --db /log/second.db --config /tmp/boat.conf 2>/tmp/watch2.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch2.err
most=0
rig_sender full vcan0 1200 120 >/tmp/sent &
sender=$!
while kill -0 $sender 2>/dev/null; do
	kb=$(folder_kb)
	[ "$kb" -gt "$most" ] && most=$kb
	sleep 5
done
wait $sender
number "captures: $(ours | wc -l) files, at most $most kB of 1000 allowed"
expect "they never take more than they may" test "$most" -lt 1100
expect "they fill what they may" test "$most" -gt 700
expect "there are several" test "$(ours | wc -l)" -ge 5
expect "the one that was too old is gone" test ! -e /log/captures/sightbowl-2001-01-01T00-00-00Z.log.zst
expect "somebody else's file stays" test -e /log/captures/notes.log.zst
expect "nothing was told" test "$(grep -c "raw frames" /tmp/watch2.err)" -eq 0

# 3. The folder goes and comes back.
mv /log/captures /log/aside
rig_sender full vcan0 500 15 >/tmp/sent
expect "that it cannot record is told once" wait_for 60 test "$(grep -c "raw frames cannot be kept" /tmp/watch2.err)" -eq 1
mv /log/aside /log/captures
rig_sender full vcan0 500 5 >/tmp/sent
expect "and that it does again" wait_for 60 grep -q "raw frames are kept in '/log/captures' again" /tmp/watch2.err
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0 again" test $? -eq 0
cat /tmp/watch.err /tmp/watch2.err /tmp/replay.out /tmp/open.out
