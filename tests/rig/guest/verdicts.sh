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
