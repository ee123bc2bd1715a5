#include "tests/unit/near.h"

#include "tests/unit/lying_boat.h"

/* What moves at the same engine speed, from the twelfth day on; 1: as before. */
struct moved {
	const char *what;
	double rate; /* beside the load */
	double load; /* the burn follows */
	double speed;
	double pressure;
	double coolant_c;
	bool load_heard;
	const char *kind;
	const char *first; /* by hand: what a mechanic would look at first */
};

static struct lying_boat boat;
static const struct moved *now;

static void move(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	(void)b, (void)since_s;
	if (runs) {
		/* Friction takes what 20 % of load do. */
		r->rate_lph *= now->rate * (r->load_pct * now->load + 20) / (r->load_pct + 20);
		r->load_pct *= now->load;
		r->speed_kn *= now->speed;
		r->fuel_kpa *= now->pressure;
		r->coolant_c += now->coolant_c;
	}
	r->load_pct = now->load_heard ? r->load_pct : NAN;
	lying_send_one(b, 128259, 31, 0, SIGNAL_WATER_SPEED, r->speed_kn);
}

/* What comes first, told apart or not; "" where no cause is named. */
static const char *first_cause(const char *message)
{
	static const char *const words[] = {"Likely: ", "Not told apart yet: "};

	for (size_t i = 0; i < 2; i++) {
		const char *at = strstr(message, words[i]);
		if (at != NULL) {
			return at + strlen(words[i]);
		}
	}
	return "";
}

static void the_likeliest_cause_is_the_one_that_the_signs_point_to(void **state)
{
	static const struct moved cases[] = {
		{"more load, and slower", 1, 1.09, 0.95, 1, 0, true, "burn-high",
			"a fouled hull or propeller"},
		{"slower, no load heard", 1, 1.09, 0.95, 1, 0, false, "burn-high",
			"a fouled hull or propeller"},
		{"more load, at idle too", 1, 1.2, 1, 1, 0, true, "burn-high",
			"a fouled hull or propeller"},
		{"more, and as fast, no load heard", 1.08, 1, 1, 1, 0, false, "burn-high",
			"a leaking or worn injector"},
		{"more for the same load", 1.08, 1, 1, 1, 0, true, "burn-high",
			"a leaking or worn injector"},
		{"colder", 1.06, 1, 1, 1, -8, false, "burn-high", "an engine that runs too cold"},
		{"less, and less pressure", 0.92, 1, 1, 0.7, 0, true, "burn-low",
			"too little fuel getting through"},
		{"less, and less pressure, no load heard", 0.92, 1, 1, 0.7, 0, false, "burn-low",
			"too little fuel getting through"},
		{"less load, and faster", 1, 0.9, 1.04, 1, 0, true, "burn-low", "less load"},
		{"less load, and slower", 1, 0.9, 0.94, 1, 0, true, "burn-low",
			"a propeller that grips less"},
		{"less for the same load", 0.92, 1, 1, 1, 0, true, "burn-low",
			"the fuel rate's own sensor"},
	};

	(void)state;
	for (size_t i = 0; i < sizeof(cases) / sizeof(cases[0]); i++) {
		struct moved before = {.rate = 1,
			.load = 1,
			.speed = 1,
			.pressure = 1,
			.load_heard = cases[i].load_heard};

		lying_begin(&boat);
		now = &before;
		lying_days(&boat, 12, move);
		now = &cases[i];
		lying_days(&boat, 6, move);
		const struct fact_event *told = NULL;
		for (size_t k = 0; k < boat.told && told == NULL; k++) {
			told = strcmp(boat.events[k].kind, cases[i].kind) == 0 ? &boat.events[k]
									       : NULL;
		}
		if (told == NULL) {
			fail_msg("%s: no %s", cases[i].what, cases[i].kind);
		}
		if (strncmp(first_cause(told->message), cases[i].first,
			    strlen(cases[i].first)) != 0) {
			print_message("%s: %s\n", cases[i].what, told->message);
		}
		lying_end(&boat);
	}
}

/* First more burn for the same load, as of an injector; then, while that is told, a hull fouls. */
static struct moved so_far;

static void foul(struct lying_boat *b, struct lying_readings *r, bool runs, double since_s)
{
	now = &so_far;
	move(b, r, runs, since_s);
}

static struct fact_event last_high(void)
{
	struct fact_event none = {.event = 0};
	const struct fact_event *told = lying_last(&boat, "burn-high");

	assert_non_null(told);
	return told != NULL ? *told : none;
}

static struct fact_event foul_beside_injector(unsigned resume)
{
	static const char hull[] = "a fouled hull or propeller";

	lying_begin(&boat);
	boat.resume = resume;
	so_far =
		(struct moved){.rate = 1, .load = 1, .speed = 1, .pressure = 1, .load_heard = true};
	lying_days(&boat, 12, foul);
	so_far.rate = 1.06;
	lying_days(&boat, 3, foul);
	struct fact_event told = last_high();
	if (strncmp(first_cause(told.message), "a leaking or worn injector", 26) != 0) {
		fail_msg("%s", told.message);
	}
	int64_t event = told.event;
	size_t first = boat.told;
	/* By hand: most of the burn is now the load's, and the boat is slower. */
	so_far.rate = 1.04;
	so_far.load = 1.14;
	so_far.speed = 0.93;
	lying_days(&boat, 6, foul);
	told = last_high();
	assert_int_equal(told.event, event);
	assert_false(told.has_cleared);
	const char *likely = strstr(told.message, "Likely: ");
	assert_non_null(likely);
	if (strncmp(likely + 8, hull, strlen(hull)) != 0) {
		fail_msg("%s", told.message);
	}
	assert_non_null(strstr(told.message, "speed −"));
	/* Told again, not again and again. */
	int again = 0;
	for (size_t i = first; i < boat.told; i++) {
		again += boat.events[i].event == event;
	}
	assert_in_range(again, 1, 4);
	lying_end(&boat);
	return told;
}

static void a_standing_event_is_told_again_when_another_cause_comes_first(void **state)
{
	(void)state;
	struct fact_event unbroken = foul_beside_injector(0);
	struct fact_event resumed = foul_beside_injector(97);

	assert_string_equal(resumed.message, unbroken.message);
	assert_true(resumed.value == unbroken.value);
}

int main(void)
{
	const struct CMUnitTest tests[] = {
		cmocka_unit_test(a_standing_event_is_told_again_when_another_cause_comes_first),
		cmocka_unit_test(the_likeliest_cause_is_the_one_that_the_signs_point_to),
	};

	return cmocka_run_group_tests(tests, NULL, NULL);
}
