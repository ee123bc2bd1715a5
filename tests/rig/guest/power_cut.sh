# power_cut.sh: the guest's side of power_cuts.py: a bus, the watch, somebody who reads now and then, until the
# host cuts the power, or the frames are over. The second serial line tells the host what was heard.
# host: cp "$RIG_FRAMES" frames.log && cp "$RIG_CONFIG" boat.conf && echo "marks_at=$RIG_MARKS_AT" >marks.sh
. ./verdicts.sh
. ./marks.sh

dmesg -n 1
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
mkdir -p /log/captures
rig_marks /dev/vda "$marks_at" &
candump -L vcan0 >/dev/ttyS1 &
candump=$!
sightbowl watch --db /log/boat.db --config boat.conf 2>/tmp/watch.err &
watch=$!
expect "it listens" wait_for 20 grep -q "vcan0: listening" /tmp/watch.err
expect "the log was taken up" kill -0 $watch
(while sleep 37; do sightbowl trips --db /log/boat.db >/dev/null 2>&1; done) &
reader=$!
rig_sender log vcan0 1 frames.log >/tmp/sent &
sender=$!
second=0
while kill -0 $sender 2>/dev/null; do
	echo "RIG at $second"
	sleep 1
	second=$((second + 1))
done
kill $reader
sleep 1
kill -TERM $watch
wait $watch
expect "SIGTERM ends it with status 0" test $? -eq 0
kill $candump
expect "nothing was dropped" test "$(grep -c dropped /tmp/watch.err)" -eq 0
expect "the file system had no error" test "$(dmesg | grep -c 'EXT4-fs \(error\|warning\)')" -eq 0
cat /tmp/watch.err
