#include <errno.h>
#include <math.h>
#include <setjmp.h>
#include <stdarg.h>
#include <stddef.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

#include <cmocka.h>

#include "analysis/facts.h"
#include "daemon/config.h"
#include "decoders/decoder.h"
#include "decoders/signal.h"

static char path[] = "/tmp/sightbowl-config-XXXXXX";

static int make_file(void **state)
{
	int fd = mkstemp(path);

	(void)state;
	return fd < 0 ? -1 : close(fd);
}

static int remove_file(void **state)
{
	(void)state;
	return unlink(path);
}

static int read_string(struct settings *settings, const char *text, char *error, size_t size)
{
	FILE *file = fopen(path, "w");

	assert_non_null(file);
	assert_true(fputs(text, file) >= 0);
	assert_int_equal(fclose(file), 0);
	settings_init(settings);
	return config_read(settings, path, error, size);
}

static void an_empty_file_leaves_one_engine_with_two_filters(void **state)
{
	struct settings settings;
	char error[256];

	(void)state;
	assert_int_equal(read_string(&settings, "", error, sizeof(error)), 0);
	assert_true(settings.boat.engines[0].present);
	assert_false(settings.boat.engines[1].present);
	assert_int_equal(settings.boat.filter_count, 2);
	assert_string_equal(settings.boat.filters[0].name, "primary");
	assert_string_equal(settings.boat.filters[1].name, "secondary");
	assert_true(isnan(settings.boat.filters[0].change_h));
	assert_int_equal(settings.units, UNITS_METRIC);
	assert_string_equal(settings.log_path, "");
}

static void the_example_holds_every_key_and_parses(void **state)
{
	struct settings settings;
	char error[256] = "";

	(void)state;
	settings_init(&settings);
	int result = config_read(&settings, TEST_SOURCE_DIR "/../docs/sightbowl.conf.example", error,
		sizeof(error));
	assert_string_equal(error, "");
	assert_int_equal(result, 0);
	assert_string_equal(settings.boat.name, "Grey Heron");
	assert_int_equal(settings.bus_count, 2);
	assert_string_equal(settings.buses[1].name, "can1");
	assert_int_equal(settings.buses[1].protocol, DECODE_J1939);
	assert_int_equal(settings.boat.engines[0].supply, SUPPLY_PUMP);
	assert_true(settings.boat.engines[0].pump_lph == 60);
	assert_true(settings.boat.engines[0].pump_rpm == 2400);
	assert_true(settings.boat.engines[0].idle_rpm == 900);
	assert_int_equal(settings.boat.filter_count, 2);
	const struct boat_filter *filter = &settings.boat.filters[0];
	assert_string_equal(filter->element, "spin-on 10 micron with water bowl");
	assert_int_equal(filter->sensor, SENSOR_PRESSURE);
	assert_int_equal(filter->pressure_instance, 2);
	assert_int_equal(filter->sensor_kind, SENSES_OUTLET_VACUUM);
	assert_true(fabs(filter->limit_kpa - 7 * 3.386389) < 1e-9);
	assert_true(filter->change_l == 8000);
	assert_true(filter->has_fitted);
	assert_true(filter->fitted_ns == INT64_C(1776470400000000000));
	assert_true(filter->beta == 75 && filter->hose_bore_mm == 10 && filter->hose_length_m == 2.5);
	assert_int_equal(filter->separates_water, FILTER_HAS);
	assert_int_equal(filter->build.bowl, FILTER_BOWL_CLEAR);
	assert_int_equal(filter->build.drain, FILTER_DRAIN_TAP);
	assert_int_equal(filter->build.loading, FILTER_LOADING_SPIN_ON);
	assert_int_equal(filter->build.height, FILTER_HEIGHT_ABOVE);
	assert_int_equal(filter->build.priming, FILTER_PRIMING_HAND_PUMP);
	assert_int_equal(filter->build.shut_off, FILTER_HAS);
	assert_int_equal(filter->build.vent, FILTER_HAS);
	assert_int_equal(filter->build.probe, FILTER_HAS_NOT);
	assert_true(filter->build.volume_l == 0.5);
	assert_int_equal(settings.boat.use, BOAT_USE_SAILING);
	assert_int_equal(settings.boat.engines[0].injection, INJECTION_MECHANICAL);
	assert_int_equal(settings.boat.filters[1].build.bowl, FILTER_BOWL_UNKNOWN);
	assert_true(settings.boat.filters[1].change_months == 12);
	assert_true(isnan(settings.boat.filters[1].change_l));
	assert_true(settings.boat.tanks[0].present);
	assert_true(settings.boat.tanks[0].capacity_l == 240);
	assert_true(settings.boat.tanks[0].reserve_l == 30);
	assert_int_equal(settings.boat.tanks[0].strapping.count, 5);
	assert_true(settings.boat.tanks[0].strapping.points[1].level_pct == 25);
	assert_true(settings.boat.tanks[0].strapping.points[1].volume_l == 38);
	assert_int_equal(settings.boat.engines[0].tank, 0);
	assert_true(fabs(settings.boat.limits.fuel_pressure_kpa - 172.368925) < 1e-6);
	assert_string_equal(settings.log_path, "/var/lib/sightbowl/boat.db");
	assert_string_equal(settings.web.address, "127.0.0.1");
	assert_int_equal(settings.web.port, 8790);
	assert_int_equal(settings.notify_severity, SEVERITY_CAUTION);
	assert_int_equal(settings.boat.pin_count, 2);
	assert_int_equal(settings.boat.pins[0].signal, SIGNAL_GROUND_SPEED);
	assert_int_equal(settings.boat.pins[0].bus, -1);
	assert_int_equal(settings.boat.pins[0].source, 35);
	struct bus_names buses = {.count = 1, .names = {"vcan0"}};
	settings_number_buses(&settings, &buses);
	assert_int_equal(settings.boat.pins[0].bus, -1);
	assert_int_equal(settings.boat.pins[1].bus, 2);
	assert_string_equal(buses.names[2], "can1");
	assert_int_equal(settings.boat.pins[1].source, 0);
}

static void sections_without_a_key_count_too(void **state)
{
	struct settings settings;
	char error[256];

	(void)state;
	assert_int_equal(read_string(&settings, "\xEF\xBB\xBF[engine 0]\n[engine 1]\n[filter sea]\n",
		error, sizeof(error)), 0);
	assert_true(settings.boat.engines[1].present);
	assert_int_equal(settings.boat.filter_count, 1);
	assert_string_equal(settings.boat.filters[0].stage, "sea");
}

static void units_in_a_value_are_put_to_the_keys_own(void **state)
{
	struct settings settings;
	char error[256];

	(void)state;
	assert_int_equal(read_string(&settings, "[engine 0]\nsupply = pump 16 gal/h at 2600 rpm\n"
		"[boat]\nmoving_kn = 1 m/s\n", error, sizeof(error)), 0);
	assert_true(fabs(settings.boat.engines[0].pump_lph - 60.566588544) < 1e-9);
	assert_true(fabs(settings.boat.moving_kn - 1.943844492) < 1e-8);
}

/* Each wrong file, and what the sentence must say behind the path. */
static void what_is_wrong_is_named_with_its_line(void **state)
{
	static const struct {
		const char *text;
		const char *says;
	} cases[] = {
		{"[boat]\nname = Tern\ncolour = red\n", ":3: colour: no such key in [boat]; expected "
			"one of name, units, use, fuel_density_kgl, trip_pause_h, moving_kn, source SIGNAL"},
		{"[ship]\nname = x\n", ":1: [ship]: no such section; expected one of [boat] [bus NAME] "
			"[engine N] [filter NAME] [tank N] [limits] [log] [web] [notify]"},
		{"[boat]\n\n[ship]\n", ":3: [ship]: no such section"},
		{"[bus]\nprotocol = both\n", ":1: [bus]: no such section"},
		/* netdevice(7): a name has IFNAMSIZ bytes, 16, with the null at its end. */
		{"[boat]\n[bus engine-room-can0]\n", ":2: [bus engine-room-can0]: expected an "
			"interface's name of at most 15 bytes"},
		{"[bus abcdefghijklmno]\n[bus abcdefghijklmnop]\n", ":2: [bus abcdefghijklmnop]: expected"},
		{"[boat one]\n", ":1: [boat one]: no such section"},
		{"name = x\n", ":1: []: no such section"},
		{"[boat]\nunits = imperial\n", ":2: units: expected metric or us; got 'imperial'"},
		{"[boat]\nname\n", ":2: expected [section] or key = value"},
		{"[boat\nname = x\n", ":1: expected [section] or key = value"},
		{"[boat]\nunits =\n", ":2: units: expected a value"},
		{"[boat]\nname = a\nname = b\n", ":3: name: given twice in [boat]"},
		{"[boat]\nname = a\n more\n", ":3: name: given twice in [boat]"},
		{"[boat]\nmoving_kn = fast\n", ":2: moving_kn: expected a number, alone or with a "
			"unit: kn, km/h, mph, m/s; got 'fast'"},
		{"[boat]\nmoving_kn = 99\n", ":2: moving_kn: expected 0.1 to 20 kn; got '99'"},
		{"[filter a]\nlimit_kpa = 3 gal\n", ":2: limit_kpa: expected a number, alone or with a "
			"unit: kPa, Pa, mbar, hPa, bar, psi, inHg, mmHg, inH2O; got '3 gal'"},
		{"[filter a]\nsensor = spn94\n", ":2: sensor: expected none, spn95, spn1382, spn1381 or "
			"pressure N; got 'spn94'"},
		{"[filter a]\nsensor = pressure x\n", ":2: sensor: expected"},
		{"[filter a]\nsensor_kind = suction\n", ":2: sensor_kind: expected differential or "
			"outlet-vacuum; got 'suction'"},
		{"[filter a]\nfitted = spring\n", ":2: fitted: expected a date, such as 2026-04-30"},
		{"[filter a]\nengine = 9\n", ":2: engine: expected an engine's number, 0 to 3; got '9'"},
		{"[filter a]\nengine = 1\n", ": [filter a] belongs to engine 1, but there is no "
			"[engine 1]"},
		{"[engine 7]\n", ":1: [engine 7]: expected a number, 0 to 3"},
		{"[engine 0]\nsupply = gravity\n", ":2: supply: expected burn, or pump RATE at RPM"},
		{"[engine 0]\nsupply = pump 60 at -5\n", ":2: supply: expected burn, or pump RATE at"},
		{"[engine 0]\nsource depth = can0 1\n", ":2: source depth: expected the name of a "
			"signal of this section"},
		{"[engine 0]\nsource fuel_rate_lph = can0\n", ":2: source fuel_rate_lph: expected BUS "
			"ADDRESS"},
		{"[engine 0]\ntank = 16\n", ":2: tank: expected a tank's number, 0 to 15; got '16'"},
		{"[tank 0]\nstrapping = 0 0, 50 90, 40 120\n", ":2: strapping: expected 2 to 16 points of "
			"level (%) and volume, both rising, such as '0 0 L, 25 40 L, 100 240 L'; got '0 0"},
		{"[tank 0]\nstrapping = 0 0\n", ":2: strapping: expected 2 to 16 points"},
		{"[tank 0]\nstrapping = 0, 50 90\n", ":2: strapping: expected 2 to 16 points"},
		{"[tank 0]\nstrapping = 0 0, 50 90 kPa\n", ":2: strapping: expected 2 to 16 points"},
		{"[tank 0]\nstrapping = 0 0,\n", ":2: strapping: expected 2 to 16 points"},
		{"[tank 0]\nstrapping = 0 0,1 1,2 2,3 3,4 4,5 5,6 6,7 7,8 8,9 9,10 10,11 11,12 12,13 13,14 14,"
			"15 15,16 16\n", ":2: strapping: expected 2 to 16 points"},
		{"[boat]\nuse = racing\n", ":2: use: expected sailing, displacement or planing; got "
			"'racing'"},
		{"[engine 0]\ninjection = pump\n", ":2: injection: expected mechanical or "
			"common-rail; got 'pump'"},
		{"[filter a]\nbowl = glass\n", ":2: bowl: expected one of unknown, clear, metal, none; "
			"got 'glass'"},
		{"[filter a]\nseparates_water = maybe\n", ":2: separates_water: expected yes or no"},
		{"[filter a]\nbeta = 0.5\n", ":2: beta: expected 1 to 1e+06"},
		{"[filter a]\nset = s\n", ": [filter a]: its set 's' has no other filter"},
		{"[filter a]\nset = a\n[filter b]\nset = a\n", ": [filter a]: its set 'a' is also the "
			"name of a filter"},
		{"[engine 0]\n[engine 1]\n[filter a]\nset = s\n[filter b]\nset = s\nengine = 1\n",
			": [filter a]: its set 's' has filters of two engines"},
		{"[web]\nlisten = 8080\n", ":2: listen: expected ADDRESS:PORT"},
		{"[web]\nwrite = perhaps\n", ":2: write: expected yes or no; got 'perhaps'"},
		{"[web]\nlisten = 192.168.1.5:8790\n", ": [web] a page for other machines needs a "
			"password"},
		{"[web]\npassword = hello\n", ": [web] the page's password must be"},
		{"[notify]\nseverity = loud\n", ":2: severity: expected advice, caution or warning; got "
			"'loud'"},
		{"[boat]\nname = 0123456789012345678901234567890123456789012345678901234567890\n",
			":2: name: expected at most 47 bytes"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct settings settings;
		char error[512] = "", expected[512];
		assert_int_equal(read_string(&settings, cases[i].text, error, sizeof(error)), -EINVAL);
		(void)snprintf(expected, sizeof(expected), "%s%s", path, cases[i].says);
		error[strlen(expected) < strlen(error) ? strlen(expected) : strlen(error)] = '\0';
		assert_string_equal(error, expected);
	}
}

static void a_strapping_table_takes_units_and_gives_the_capacity(void **state)
{
	struct settings settings;
	char error[512] = "";

	(void)state;
	assert_int_equal(read_string(&settings, "[tank 3]\nstrapping = 0 0 , 40 10 gal,100 200 L\n"
		"[tank 1]\ncapacity_l = 90\n", error, sizeof(error)), 0);
	const struct boat_tank *tank = boat_tank(&settings.boat, 3);
	assert_non_null(tank);
	assert_int_equal(tank->strapping.count, 3);
	assert_true(fabs(tank->strapping.points[1].volume_l - 37.85411784) < 1e-9);
	assert_true(boat_tank_capacity(tank) == 200);
	assert_true(boat_tank_reserve(tank, 200) == 20);
	assert_true(boat_tank_capacity(boat_tank(&settings.boat, 1)) == 90);
	assert_null(boat_tank(&settings.boat, 0));
	assert_true(isnan(boat_tank_capacity(NULL)));
	assert_int_equal(settings.boat.engines[0].tank, -1);
}

static void a_line_that_is_too_long_is_refused(void **state)
{
	struct settings settings;
	char text[400] = "[boat]\n; ", error[256], expected[256];

	(void)state;
	memset(text + strlen(text), 'x', 300);
	assert_int_equal(read_string(&settings, text, error, sizeof(error)), -EINVAL);
	(void)snprintf(expected, sizeof(expected), "%s:2: expected a line of at most 198 bytes", path);
	assert_string_equal(error, expected);
}

static void a_file_that_is_not_there_is_named(void **state)
{
	struct settings settings;
	char error[256];

	(void)state;
	settings_init(&settings);
	assert_int_equal(config_read(&settings, "/nowhere/boat.conf", error, sizeof(error)), -ENOENT);
	assert_string_equal(error, "cannot read configuration '/nowhere/boat.conf': No such file or "
		"directory");
}

static void every_cut_of_the_example_is_read_without_harm(void **state)
{
	char text[8192], error[512];
	struct settings settings;
	FILE *file = fopen(TEST_SOURCE_DIR "/../docs/sightbowl.conf.example", "r");

	(void)state;
	assert_non_null(file);
	size_t size = fread(text, 1, sizeof(text) - 1, file);
	fclose(file);
	for (size_t cut = 0; cut < size; cut += 7) {
		char kept = text[cut];
		text[cut] = '\0';
		(void)read_string(&settings, text, error, sizeof(error));
		text[cut] = kept;
	}
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(an_empty_file_leaves_one_engine_with_two_filters),
		cmocka_unit_test(the_example_holds_every_key_and_parses),
		cmocka_unit_test(sections_without_a_key_count_too),
		cmocka_unit_test(units_in_a_value_are_put_to_the_keys_own),
		cmocka_unit_test(what_is_wrong_is_named_with_its_line),
		cmocka_unit_test(a_strapping_table_takes_units_and_gives_the_capacity),
		cmocka_unit_test(a_line_that_is_too_long_is_refused),
		cmocka_unit_test(a_file_that_is_not_there_is_named),
		cmocka_unit_test(every_cut_of_the_example_is_read_without_harm),
	};

	return cmocka_run_group_tests(tests, make_file, remove_file);
}
