# verdicts.sh: the lines that the host reads from the console, and what several scripts need.

ok() { echo "RIG ok $*"; }
fail() { echo "RIG FAIL $*"; }
number() { echo "RIG number $*"; }

# expect TEXT COMMAND…: a verdict from an exit status.
expect() {
	expect_text=$1
	shift
	if "$@"; then ok "$expect_text"; else fail "$expect_text"; fi
}

# wait_for SECONDS COMMAND…: until it succeeds.
wait_for() {
	wait_left=$(($1 * 10))
	shift
	while ! "$@" >/dev/null 2>&1; do
		wait_left=$((wait_left - 1))
		[ "$wait_left" -gt 0 ] || return 1
		sleep 0.1
	done
}

can_up() { # INTERFACE [more of ip link's options]
	can_name=$1
	shift
	/usr/bin/ip link set "$can_name" type can bitrate 250000 "$@" && /usr/bin/ip link set "$can_name" up
}

# same_logs LIVE REPLAYED: table by table, all that a log has, facts and what was learned, but for what only one
# of a live log and a replay's can say.
same_logs() {
	stale=$(sqlite3 "$1" "SELECT coalesce(group_concat(start_s), 0) FROM stale_days")
	for table in $(sqlite3 "$1" "SELECT name FROM sqlite_schema WHERE type = 'table' ORDER BY name"); do
		columns="*"
		where=1
		case $table in
		# What was replayed, which a live log never was.
		captures | capture_stretches) continue ;;
		# So its analysis stands behind no frames of any of them.
		checkpoints) columns="lane, part, data, raw_ns, size" ;;
		# The number of the batch file's last block, of which a replay makes none.
		meta) where="key <> 'batch'" ;;
		# A day is rolled up when it is over, and by a replay when that ends.
		days) where="start_s NOT IN ($stale)" ;;
		stale_days) continue ;;
		esac
		for same_log in "$1" "$2"; do
			sqlite3 -cmd ".mode quote" "$same_log" "SELECT $columns FROM $table WHERE $where ORDER BY 1, 2" \
				>/tmp/same.$([ "$same_log" = "$1" ] && echo live || echo replayed) 2>&1
		done
		if cmp -s /tmp/same.live /tmp/same.replayed; then
			ok "the same $table ($(wc -l </tmp/same.live) rows)"
		else
			fail "the $table differ"
			diff /tmp/same.live /tmp/same.replayed | cut -c1-2000 | head -10
		fi
	done
}

# Bytes written to the disk so far.
disk_bytes() { awk '{ print $7 * 512 }' /sys/block/vda/stat; }

# Modules that are not loaded at the start: MODULE…
load() {
	for load_name in "$@"; do
		insmod /modules/$load_name.ko* || fail "module $load_name cannot be loaded"
	done
}

# What /log/boat.db says of events; a line each: KIND|SUBJECT|CLEARED|MESSAGE.
events() { sqlite3 /log/boat.db "SELECT kind, subject, cleared_ns IS NOT NULL, message FROM events" 2>&1; }
# Reading by an ordinary command makes the daemon bring the log up to date, at most each 27 s: ask again.
is() {
	sightbowl events --db /log/boat.db --csv >/dev/null 2>&1
	sleep 1
	events | grep -q "^$1|[^|]*|$2|.*$3"
}
has() { # KIND CLEARED PART-OF-MESSAGE, within 100 s
	has_left=30
	until is "$1" "$2" "$3"; do
		has_left=$((has_left - 1))
		[ "$has_left" -gt 0 ] || return 1
		sleep 2
	done
}
