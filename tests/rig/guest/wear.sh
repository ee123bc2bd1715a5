# wear.sh: what an hour with the engine running writes to the device, with some 40 signals: the half
# minutes, the hourly commit, and its copying into the log, which comes every ten hours or so and is
# therefore reckoned as the log's growth.
# host: rig_scenario n2k 600 3900 >scenario.log
. ./verdicts.sh

log_bytes() {
	sqlite3 /log/wear.db 'SELECT page_count * page_size FROM pragma_page_count, pragma_page_size'
}
/usr/bin/ip link add dev vcan0 type vcan
/usr/bin/ip link set vcan0 up
sightbowl watch --db /log/wear.db --bus vcan0 2>/tmp/watch.err &
watch=$!
wait_for 10 grep -q "vcan0: listening" /tmp/watch.err
rig_sender log vcan0 1 scenario.log >/tmp/sent &
sender=$!
sleep 200
log_bytes >/tmp/size # which makes the log be committed
sleep 50
size=$(log_bytes)
sync
sleep 1
bytes=$(disk_bytes)
start=$(cut -d. -f1 /proc/uptime)
wait $sender
seconds=$(($(cut -d. -f1 /proc/uptime) - start))
running=$((($(disk_bytes) - bytes) * 36 / seconds / 10))
kill -TERM $watch
wait $watch
sync
ending=$((($(disk_bytes) - bytes) * 36 / seconds / 10 - running))
grown=$((($(log_bytes) - size) * 36 / seconds / 10))
signals=$(sqlite3 /log/wear.db 'SELECT count(*) FROM slots')
# What an hour's commit left in the write-ahead log is copied once into the log: its growth.
bytes=$((running + grown))
number "while running $running kB an hour, at the end $ending kB"
number "written to the device: $bytes kB an engine hour ($(grep ' /log ' /proc/mounts | cut -d' ' -f4))"
number "the log grows by $grown kB an engine hour with $signals signals: $((grown * 30 / signals)) kB with 30"
expect "the log grows by less than 150 kB an engine hour with 30 signals" test $((grown * 30 / signals)) -lt 150
case $(grep ' /log ' /proc/mounts) in
*lazytime*) expect "less than 1 MB an engine hour is written" test $bytes -lt 1000 ;;
*) expect "less than 3.5 MB an engine hour is written where the time of each write is journalled" \
	test $bytes -lt 3500 ;;
esac
cat /tmp/watch.err
