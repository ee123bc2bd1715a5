# bus.sh: the rig itself: two controllers on one bus carry frames both ways and report their state.
. ./verdicts.sh

expect "can0 comes up at 250 kbit/s" can_up can0
expect "can1 comes up at 250 kbit/s" can_up can1
/usr/bin/ip -d link show can0 >/tmp/state
expect "the controller is error-active" grep -q "ERROR-ACTIVE" /tmp/state
expect "the bit rate is 250000" grep -q "bitrate 250000" /tmp/state

candump -L can0 >/tmp/heard0 &
candump -L can1 >/tmp/heard1 &
sleep 0.5
cansend can1 0CF00400#FF00001122334455
cansend can0 18FEF200#6400FFFFFFFFFFFF
expect "can0 hears can1" wait_for 5 grep -q "can0 0CF00400#FF00001122334455" /tmp/heard0
expect "can1 hears can0" wait_for 5 grep -q "can1 18FEF200#6400FFFFFFFFFFFF" /tmp/heard1

expect "vcan is there" /usr/bin/ip link add dev vcan0 type vcan
expect "bytes written to the disk are counted" test "$(disk_bytes)" -gt 0
