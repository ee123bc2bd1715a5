# unit.sh: the service as it is installed, under Debian's own systemd, udev and networkd: set up as docs/watch.md
# says, an adapter that comes later, its rights, reload, watchdog, kills, a wrong configuration, a full and a
# read-only folder, who may ask; then the machine is switched off and on, and it comes by itself.
# host: rig_scenario n2k 600 40 >first.log; rig_scenario n2k 640 900 >second.log; rig_scenario n2k 1600 20 >third.log
# host: mkdir -p ../etc/modprobe.d && echo "blacklist kvaser_pci" >../etc/modprobe.d/unplugged.conf
. ./verdicts.sh

state=/var/lib/sightbowl
log=$state/boat.db
property() { systemctl show -P "$1" sightbowl; }
is_active() { [ "$(property ActiveState),$(property SubState)" = active,running ]; }
journal() { journalctl -u sightbowl -b -o cat --no-pager; }
mark() { seen=$(journal | wc -l); }
told_since() { journal | tail -n +$((seen + 1)) | grep -q "$1"; }
as() { su -s /bin/sh "$1" -c "cd / && $2"; }
page() { wget -qO- "http://127.0.0.1:8790$1"; }
process_has() { grep -q "^$1:[[:space:]]*$2$" "/proc/$pid/status"; }
restarted() { [ "$(property NRestarts)" -gt "$1" ] && is_active; }
link_is() { /usr/bin/ip -d link show "$1" | grep -q "$2"; }
power_off() { # which ends this script
	systemctl poweroff 2>/dev/null
	sleep 100
}
lost_at() { # SECOND: of what was heard before it, how much the log has not
	sqlite3 $log "SELECT $1 - max(raw_last_ns) / 1000000000 FROM sessions WHERE raw_last_ns / 1000000000 <= $1"
}
engine() { # CAPTURE
	rig_sender log can1 1 "$1" >/tmp/sent &
	sender=$!
}

if [ ! -e set_up ]; then
	# 1. Setting it up, without the adapter.
	systemd-sysusers 2>/dev/null
	expect "systemd-sysusers makes its user" grep -q "^sightbowl:" /etc/passwd
	cp /usr/local/share/doc/sightbowl/80-can0.network /etc/systemd/network/
	printf '[Match]\nName=can1\n[CAN]\nBitRate=250K\n' >/etc/systemd/network/81-can1.network
	systemctl restart systemd-networkd
	echo SIGHTBOWL_CONFIG=/etc/sightbowl.conf >/etc/default/sightbowl
	cat >/etc/sightbowl.conf <<-END
		[bus can0]
		[log]
		capture_folder = $state/captures
		[notify]
		command = /usr/local/bin/tell-skipper
		severity = advice
	END
	cat >/usr/local/bin/tell-skipper <<-END
		#!/bin/sh
		echo "\$2" >>$state/told
		logger "for the skipper: \$2"
	END
	chmod 755 /usr/local/bin/tell-skipper
	expect "systemctl enable --now ends well" systemctl -q enable --now sightbowl
	expect "it is active (running), so it said READY" is_active
	expect "it says what it does" test "$(property StatusText)" = logging
	expect "it waits for a bus that is missing" told_since "can0: there is no such interface; waiting for it"

	# 2. What it may and what it made.
	pid=$(property MainPID)
	user=$(id -u sightbowl)
	expect "it runs as its own user" process_has Uid "$user	$user	$user	$user"
	for set in CapInh CapPrm CapEff CapBnd CapAmb; do
		expect "without a capability ($set)" process_has $set 0000000000000000
	done
	expect "and can gain none" process_has NoNewPrivs 1
	expect "behind a filter of system calls" process_has Seccomp 2
	expect "its folder is its own, and others may read" test "$(stat -c %U:%G:%a $state)" = sightbowl:sightbowl:755
	expect "so is its log" test "$(stat -c %U:%a $log)" = sightbowl:644

	# 3. The adapter is plugged in: udev, networkd and the daemon do the rest.
	modprobe kvaser_pci
	expect "it listens once the adapter is there" wait_for 20 told_since "can0: listening at 250000 bit/s, listen-only"
	expect "networkd gave can0 250 kbit/s" link_is can0 "bitrate 250000"
	expect "and listen-only" link_is can0 LISTEN-ONLY
	expect "the other controller is up" wait_for 20 link_is can1 "state UP"

	# 4. Frames; it is told to stop in the midst of them.
	engine first.log
	sleep 25
	expect "an ordinary user reads the run that goes on" \
		as hand "sightbowl runs --db $log --csv | grep -q '^1,1,0,20'"
	page / >/tmp/page
	expect "the page is served" grep -qi "<html" /tmp/page
	wait $sender
	sent=$(cut -d' ' -f2 /tmp/sent)
	expect "the second controller's $sent frames are counted" \
		wait_for 5 sh -c "wget -qO- http://127.0.0.1:8790/api/v1/buses.csv | grep '^can0,listening,error-active,250000,$sent,0,0,'"
	engine second.log
	sleep 45
	expect "systemctl stop ends well" systemctl stop sightbowl
	expect "with status 0" test "$(property ExecMainStatus),$(property Result)" = 0,success
	expect "raw frames were kept, by the daemon" test "$(stat -c %U $state/captures/sightbowl-*.log.zst)" = sightbowl
	sightbowl replay --db /tmp/replayed.db --config /etc/sightbowl.conf $state/captures/*.zst >/dev/null 2>&1
	same_logs $log /tmp/replayed.db # all of it was committed
	expect "there is a run in it" test "$(sqlite3 $log 'SELECT count(*) FROM runs')" -eq 1

	# 5. Who may ask what, while it is stopped and while it runs.
	for run in stopped running; do
		[ $run = stopped ] || systemctl start sightbowl
		for who in root hand sightbowl; do
			for what in status trips; do
				expect "$run: $who may ask for $what" as $who "sightbowl $what --db $log >/dev/null"
			done
		done
		for who in root sightbowl; do
			as $who "sightbowl check --config /etc/sightbowl.conf --db $log" >/tmp/check 2>&1
			expect "$run: check by $who finds no fault" test $? -eq 0
		done
		as hand "sightbowl check --config /etc/sightbowl.conf --db $log" >/tmp/check 2>&1
		expect "$run: check by another tells whom to ask as" grep -q "sudo -u sightbowl" /tmp/check
		expect "$run: root may write into the book" \
			as root "sightbowl book add --db $log drain --filter primary --water 0.1 >/dev/null 2>&1"
		expect "$run: another may not" as hand "! sightbowl book add --db $log drain --filter primary >/dev/null 2>&1"
	done
	expect "what root asked and wrote is no obstacle to it" is_active
	expect "what root made is the daemon's" test -z "$(find $state ! -user sightbowl)"

	# 6. Events reach the skipper's command, which the sandbox lets write here; the clock is set meanwhile.
	mark
	date -s "@$(($(date +%s) + 3600))" >/dev/null
	expect "that the clock was set is told" wait_for 10 told_since "clock was set by +3[56]"
	expect "and the skipper's command is run" wait_for 10 grep -q clock-step $state/told
	expect "which may use the journal" wait_for 10 sh -c "journalctl -b -o cat | grep -q 'for the skipper: advice: clock'"
	expect "it goes on" test "$(property NRestarts)" -eq 0

	# 7. A new configuration, and a wrong one.
	mark
	echo "[bus can7]" >>/etc/sightbowl.conf
	expect "systemctl reload" systemctl reload sightbowl
	expect "rereads the configuration" wait_for 5 told_since "the configuration was reread"
	expect "a new bus is waited for" told_since "can7: there is no such interface"
	mark
	echo "[enginee 1]" >>/etc/sightbowl.conf
	systemctl reload sightbowl
	expect "a wrong one is told in the journal" wait_for 5 told_since "sightbowl.conf:.*enginee.*the old configuration stays"
	systemctl status sightbowl >/tmp/status 2>&1
	expect "systemctl status says so" grep -q "Status:.*sightbowl.conf:.*enginee" /tmp/status
	expect "the old one stays" wait_for 5 sh -c "wget -qO- http://127.0.0.1:8790/api/v1/buses.csv | grep -q ^can7"

	# 8. That wrong configuration at the next start.
	systemctl restart sightbowl 2>/dev/null
	expect "a start with it fails" test "$(property ActiveState)" != active
	expect "no limit is set to how often it is tried" test "$(property StartLimitIntervalUSec)" = 0
	sleep 21
	systemctl status sightbowl >/tmp/status 2>&1
	expect "systemctl status says why" grep -q "Status:.*sightbowl.conf:.*enginee" /tmp/status
	expect "it is tried again and again: $(property NRestarts) times in 21 s" test "$(property NRestarts)" -ge 3
	sed -i '/enginee/d' /etc/sightbowl.conf
	expect "and runs by itself once that is mended" wait_for 15 is_active
	expect "with its usual status" test "$(property StatusText)" = logging

	# 9. It hangs; it is killed.
	before=$(property NRestarts)
	mark
	sleep 35
	hung=$(date +%s)
	kill -STOP "$(property MainPID)"
	sleep 60
	expect "the watchdog begins one that hangs again" wait_for 40 restarted "$before"
	expect "and says so" told_since "Watchdog timeout"
	expect "of what it had heard, at most 30 s were lost: $(lost_at $hung) s" test "$(lost_at $hung)" -le 30
	sleep 35
	for round in 1 2 3; do
		before=$(property NRestarts)
		killed=$(date +%s)
		kill -KILL "$(property MainPID)"
		sleep 5
		expect "killed, it is begun again ($round)" wait_for 10 restarted "$before"
		[ $round != 1 ] ||
			expect "at most 30 s were lost: $(lost_at $killed) s" test "$(lost_at $killed)" -le 30
	done
	expect "the log is sound" test "$(sqlite3 $log 'PRAGMA integrity_check')" = ok

	# 10. The permission to restart a controller, as the unit shows it.
	mkdir -p /etc/systemd/system/sightbowl.service.d
	sed -n 's/^#\(.*=CAP_NET_ADMIN\)$/\1/p' /usr/local/lib/systemd/system/sightbowl.service |
		sed '1i[Service]' >/etc/systemd/system/sightbowl.service.d/override.conf
	systemctl daemon-reload
	systemctl restart sightbowl
	pid=$(property MainPID)
	for set in CapEff CapBnd; do
		expect "with the two lines it has CAP_NET_ADMIN alone ($set)" process_has $set 0000000000001000
	done
	rm /etc/systemd/system/sightbowl.service.d/override.conf
	systemctl daemon-reload

	# 11. A folder that is full, or read-only, at the start and later.
	systemctl stop sightbowl
	mount -t tmpfs -o size=4m,mode=755 none $state
	dd if=/dev/zero of=$state/ballast bs=4k 2>/dev/null
	systemctl start sightbowl 2>/dev/null
	expect "on a full disk it begins all the same" is_active
	expect "and says so" sh -c "systemctl status sightbowl | grep -q 'Status:.*the log cannot be written'"
	rm $state/ballast
	expect "and logs once there is room" wait_for 60 as hand "sightbowl status --db $log"
	expect "being active" wait_for 10 is_active
	systemctl stop sightbowl
	mount -o remount,ro $state
	systemctl start sightbowl 2>/dev/null
	expect "on a read-only one it begins all the same" is_active
	expect "and says so" sh -c "systemctl status sightbowl | grep -q 'Status:.*the log cannot be written'"
	mount -o remount,rw $state
	sleep 40
	expect "and is begun anew when that is over, as a service does not see it" restarted 0
	expect "and writes" test "$(property StatusText)" = logging
	systemctl stop sightbowl
	umount $state

	# 12. The machine is switched off, and on.
	kill $sender
	wait $sender 2>/dev/null
	expect "it sent nothing" test "$(cat /sys/class/net/can0/statistics/tx_packets)" -eq 0
	systemctl start sightbowl
	sqlite3 $log "SELECT count(*) FROM windows" >set_up
	rm /etc/modprobe.d/unplugged.conf
	journal | tail -n 60
	echo "RIG again"
	power_off
fi

expect "after a new start it comes by itself" wait_for 60 is_active
expect "and so does its bus" wait_for 60 told_since "can0: listening at 250000 bit/s, listen-only"
expect "the one before was ended in peace" sh -c \
	"journalctl -b -1 -u sightbowl -o cat | tail -n 2 | grep -q 'Stopped\|Deactivated successfully'"
expect "nothing has failed" test -z "$(systemctl --failed --no-legend)"
wait_for 20 link_is can1 "state UP"
engine third.log
wait $sender
systemctl stop sightbowl
windows=$(sqlite3 $log 'SELECT count(*) FROM windows')
expect "it logs on: $(cat set_up) windows, then $windows" test "$windows" -gt "$(cat set_up)"
journal
echo "RIG end"
power_off
