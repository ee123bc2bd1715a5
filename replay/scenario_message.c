/* Rates are those that senders commonly have, from memory; no source. */
#include "replay/scenario_message.h"

#include <math.h>

#define KN_MS		  (1852.0 / 3600)
#define PRESSURE_STEP_KPA 0.05 /* the module's own, coarser than its message */
#define SENSOR_END_KPA	  500  /* where a filter's sensor stands when there is more */
#define TORQUE_PCT	  100
#define LOW_FEED_KPA	  30.0
#define HOT_C		  105.0
#define LOW_VOLT	  11.5

/* Signals and fixed fields of a row. */
#define SAYS(...)                                                                         \
	.signal_count = sizeof((enum signal_id[]){__VA_ARGS__}) / sizeof(enum signal_id), \
	.signals = {__VA_ARGS__}
#define FIXED(...)                                                                                 \
	.fixed_count = sizeof((struct sender_fixed[]){__VA_ARGS__}) / sizeof(struct sender_fixed), \
	.fixed = {__VA_ARGS__}

#define N2K_ENGINE(ms) .nmea2000 = true, .kind = SENDS_ENGINE, .period_ms = (ms), .source = GATEWAY
#define N2K_INSTRUMENT(ms, address) \
	.nmea2000 = true, .kind = SENDS_INSTRUMENT, .period_ms = (ms), .source = (address)
#define J1939_ENGINE(ms) .kind = SENDS_ENGINE, .period_ms = (ms), .source = 0
#define J1939_BODY(ms)	 .kind = SENDS_INSTRUMENT, .period_ms = (ms), .source = BODY

#define PLOTTER 3
#define GATEWAY 33 /* + engine */
#define LOG	35
#define WEATHER 36
#define TANK	60
#define MODULE	70
#define BATTERY 80
#define BODY	23

const struct sender_row sender_rows[] = {
	{.pgn = 127488, N2K_ENGINE(100), .priority = 2, SAYS(SIGNAL_ENGINE_SPEED)},
	{.pgn = 127489,
		N2K_ENGINE(500),
		.priority = 2,
		SAYS(SIGNAL_OIL_PRESSURE, SIGNAL_OIL_TEMPERATURE, SIGNAL_COOLANT_TEMPERATURE,
			SIGNAL_ALTERNATOR_VOLTAGE, SIGNAL_FUEL_RATE, SIGNAL_ENGINE_HOURS,
			SIGNAL_COOLANT_PRESSURE, SIGNAL_FUEL_PRESSURE, SIGNAL_ENGINE_STATUS_1,
			SIGNAL_ENGINE_STATUS_2, SIGNAL_ENGINE_LOAD, SIGNAL_ENGINE_TORQUE)},
	{.pgn = 127493,
		N2K_ENGINE(100),
		.priority = 2,
		SAYS(SIGNAL_GEAR, SIGNAL_GEAR_OIL_PRESSURE, SIGNAL_GEAR_OIL_TEMPERATURE)},
	{.pgn = 127497,
		N2K_ENGINE(1000),
		.priority = 5,
		.needs = SCENARIO_COUNTERS_COARSE,
		SAYS(SIGNAL_TRIP_FUEL, SIGNAL_FUEL_RATE)},
	{.pgn = 127498, N2K_ENGINE(60000), .priority = 6, SAYS(SIGNAL_RATED_SPEED)},
	{.pgn = 130316,
		N2K_ENGINE(1000),
		.priority = 5,
		.instance = 14 << 8,
		SAYS(SIGNAL_TEMPERATURE)},
	{.pgn = 130314,
		.nmea2000 = true,
		.kind = SENDS_FILTER,
		.period_ms = 500,
		.priority = 5,
		.source = MODULE,
		SAYS(SIGNAL_PRESSURE)},
	{.pgn = 127505,
		N2K_INSTRUMENT(2500, TANK),
		.priority = 6,
		SAYS(SIGNAL_TANK_LEVEL, SIGNAL_TANK_CAPACITY),
		FIXED({"instance", 0}, {"fluid", 0})},
	{.pgn = 127508,
		N2K_INSTRUMENT(1500, BATTERY),
		.priority = 6,
		SAYS(SIGNAL_BATTERY_VOLTAGE, SIGNAL_BATTERY_CURRENT)},
	{.pgn = 128259,
		N2K_INSTRUMENT(1000, LOG),
		.priority = 2,
		SAYS(SIGNAL_WATER_SPEED),
		FIXED({"water reference", 0})},
	{.pgn = 128267, N2K_INSTRUMENT(1000, LOG), .priority = 3, SAYS(SIGNAL_DEPTH)},
	{.pgn = 129025,
		N2K_INSTRUMENT(100, PLOTTER),
		.priority = 2,
		SAYS(SIGNAL_LATITUDE, SIGNAL_LONGITUDE)},
	{.pgn = 129026,
		N2K_INSTRUMENT(250, PLOTTER),
		.priority = 2,
		SAYS(SIGNAL_COURSE, SIGNAL_GROUND_SPEED),
		FIXED({"course reference", 0})},
	{.pgn = 129029,
		N2K_INSTRUMENT(1000, PLOTTER),
		.priority = 3,
		SAYS(SIGNAL_GNSS_TIME, SIGNAL_LATITUDE, SIGNAL_LONGITUDE, SIGNAL_ALTITUDE),
		FIXED({"system", 0}, {"method", 1}, {"satellites used", 9})},
	{.pgn = 126992,
		N2K_INSTRUMENT(1000, PLOTTER),
		.priority = 3,
		SAYS(SIGNAL_SYSTEM_TIME),
		FIXED({"time source", 0})},
	{.pgn = 129033,
		N2K_INSTRUMENT(1000, PLOTTER),
		.priority = 3,
		SAYS(SIGNAL_GNSS_TIME),
		FIXED({"local offset", 0})},
	{.pgn = 127245,
		N2K_INSTRUMENT(100, LOG),
		.priority = 2,
		SAYS(SIGNAL_RUDDER),
		FIXED({"instance", 0})},
	{.pgn = 130310,
		N2K_INSTRUMENT(500, WEATHER),
		.priority = 5,
		SAYS(SIGNAL_SEA_TEMPERATURE, SIGNAL_AMBIENT_TEMPERATURE,
			SIGNAL_BAROMETRIC_PRESSURE)},
	{.pgn = 130312,
		N2K_INSTRUMENT(2000, MODULE),
		.priority = 5,
		.instance = 3 << 8,
		SAYS(SIGNAL_TEMPERATURE)},
	{.pgn = 126993,
		N2K_INSTRUMENT(60000, PLOTTER),
		.priority = 7,
		FIXED({"interval", 60}, {"controller 1 state", 0}, {"equipment state", 0})},

	{.pgn = 61444,
		J1939_ENGINE(20),
		.priority = 3,
		SAYS(SIGNAL_ENGINE_SPEED, SIGNAL_ENGINE_TORQUE, SIGNAL_DEMAND_TORQUE,
			SIGNAL_STARTER_MODE)},
	{.pgn = 61443, J1939_ENGINE(50), .priority = 3, SAYS(SIGNAL_ENGINE_LOAD, SIGNAL_PEDAL)},
	{.pgn = 65266, J1939_ENGINE(100), .priority = 6, SAYS(SIGNAL_FUEL_RATE)},
	{.pgn = 65257,
		J1939_ENGINE(1000),
		.priority = 6,
		.needs = SCENARIO_COUNTERS_COARSE,
		SAYS(SIGNAL_TOTAL_FUEL, SIGNAL_TRIP_FUEL)},
	{.pgn = 64777,
		J1939_ENGINE(1000),
		.priority = 6,
		.needs = SCENARIO_COUNTERS_FINE,
		SAYS(SIGNAL_TOTAL_FUEL_FINE, SIGNAL_TRIP_FUEL_FINE)},
	{.pgn = 65253,
		J1939_ENGINE(1000),
		.priority = 6,
		SAYS(SIGNAL_ENGINE_HOURS, SIGNAL_TOTAL_REVOLUTIONS)},
	{.pgn = 65262,
		J1939_ENGINE(1000),
		.priority = 6,
		SAYS(SIGNAL_COOLANT_TEMPERATURE, SIGNAL_FUEL_TEMPERATURE, SIGNAL_OIL_TEMPERATURE)},
	{.pgn = 65263,
		J1939_ENGINE(500),
		.priority = 6,
		SAYS(SIGNAL_FUEL_PRESSURE, SIGNAL_OIL_PRESSURE, SIGNAL_COOLANT_PRESSURE)},
	{.pgn = 65270,
		J1939_ENGINE(500),
		.priority = 6,
		SAYS(SIGNAL_EXHAUST_TEMPERATURE, SIGNAL_INTAKE_TEMPERATURE)},
	{.pgn = 65271,
		J1939_ENGINE(1000),
		.priority = 6,
		SAYS(SIGNAL_ALTERNATOR_VOLTAGE, SIGNAL_ENGINE_BATTERY_VOLTAGE)},
	{.pgn = 65269,
		J1939_ENGINE(1000),
		.priority = 6,
		SAYS(SIGNAL_BAROMETRIC_PRESSURE, SIGNAL_AMBIENT_TEMPERATURE)},
	{.pgn = 65276, J1939_ENGINE(1000), .priority = 6, SAYS(SIGNAL_FUEL_FILTER)},
	{.pgn = 65276, J1939_BODY(1000), .priority = 6, SAYS(SIGNAL_FUEL_LEVEL_1)},
	{.pgn = 65130,
		J1939_ENGINE(500),
		.priority = 6,
		SAYS(SIGNAL_FUEL_INTAKE_PRESSURE, SIGNAL_SUCTION_FILTER)},
	{.pgn = 65279, J1939_ENGINE(1000), .priority = 6, SAYS(SIGNAL_WATER_IN_FUEL)},
	{.pgn = 65226,
		J1939_ENGINE(1000),
		.priority = 6,
		SAYS(SIGNAL_FAULT_LAMPS, SIGNAL_ACTIVE_FAULT)},
	{.pgn = 65265, J1939_BODY(100), .priority = 6, SAYS(SIGNAL_WHEEL_SPEED)},

	{.pgn = 60928, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = PLOTTER},
	{.pgn = 60928, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = GATEWAY},
	{.pgn = 60928, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = TANK},
	{.pgn = 60928, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = MODULE},
	{.pgn = 126996, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = PLOTTER},
	{.pgn = 126996, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = GATEWAY},
	{.pgn = 126996, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = TANK},
	{.pgn = 126996, .nmea2000 = true, .kind = SENDS_ONCE, .priority = 6, .source = MODULE},
};
const size_t sender_row_count = sizeof(sender_rows) / sizeof(sender_rows[0]);

const char *scenario_message_model(uint8_t source)
{
	switch (source) {
	case PLOTTER:
		return "Plotter";
	case GATEWAY:
		return "Engine gateway";
	case TANK:
		return "Tank sender";
	case MODULE:
		return "Pressure module";
	default:
		return "Sender";
	}
}

/* ---- drop-outs and trips ---- */

static void step_dropout(struct scenario_sender *s, struct sender_dropout *d, double per_h,
	double mean_s, int64_t t_ns)
{
	if (per_h <= 0) {
		return;
	}
	if (d->until_ns == 0) {
		d->until_ns =
			t_ns +
			(int64_t)(scenario_random_exponential(&s->disturb, 3600 / per_h) * 1e9);
	}
	while (t_ns >= d->until_ns) {
		double next_s;

		d->out = !d->out;
		next_s = scenario_random_exponential(&s->disturb, d->out ? mean_s : 3600 / per_h);
		d->until_ns += 1000 + (int64_t)(next_s * 1e9);
	}
}

void scenario_message_step(
	struct scenario_sender *s, const struct scenario_season *season, int64_t t_ns)
{
	const struct scenario_disturbance *d = &season->options.disturb;

	for (unsigned engine = 0; engine < season->options.engines; engine++) {
		for (unsigned i = 0; i < SCENARIO_FILTERS_MAX + 1; i++) {
			step_dropout(s, &s->dropouts[engine][i], d->dropout_per_h,
				d->dropout_mean_s, t_ns);
		}
		step_dropout(s, &s->dropouts[engine][SCENARIO_FILTERS_MAX + 1],
			d->rate_dropout_per_h, d->rate_dropout_mean_s, t_ns);
	}
	step_dropout(s, &s->tank_dropout, d->dropout_per_h, d->dropout_mean_s, t_ns);
	if (season->truth.refuelling_count != s->trip_refuellings) {
		/* The skipper sets the trip counters to 0 when he takes fuel. */
		s->trip_refuellings = season->truth.refuelling_count;
		for (unsigned engine = 0; engine < season->options.engines; engine++) {
			s->trip_start_kg[engine] = season->machines[engine].total_kg;
		}
	}
}

/* ---- what the sensors give ---- */

static void valid(struct encode_value *v, double value)
{
	v->state = READING_VALID;
	v->value = value;
}

/* Counters count full steps only. */
static void counter(struct encode_value *v, double value, double step)
{
	valid(v, floor(value / step) * step);
}

static void bounded(struct encode_value *v, double value, double low, double high)
{
	valid(v, value < low ? low : value > high ? high : value);
}

/* A filter's sensor, in its own sense: restriction, positive. */
static void read_filter(struct scenario_sender *s, const struct scenario_season *season,
	unsigned engine, unsigned filter, struct encode_value *v)
{
	const struct scenario_filter_state *f = &season->machines[engine].filters[filter];

	if (f->dead) {
		if (f->death == SCENARIO_DEATH_FROZEN) {
			valid(v, f->frozen_kpa);
		}
	} else if (!s->dropouts[engine][filter].out) {
		valid(v, f->seen_kpa + f->options->zero_kpa + f->drift_kpa +
				 f->options->noise_kpa * scenario_random_normal(&s->random));
	}
}

/* The first filter of an engine that has a sensor of a kind. */
static void read_sensor(struct scenario_sender *s, const struct scenario_season *season,
	unsigned engine, enum filter_sensor sensor, struct encode_value *v)
{
	for (unsigned i = 0; i < SCENARIO_FILTERS_MAX; i++) {
		const struct scenario_filter *f = season->machines[engine].filters[i].options;

		if (f != NULL && f->sensor == sensor) {
			read_filter(s, season, engine, i, v);
			break;
		}
	}
	if (v->state != READING_VALID) {
		return;
	}
	if (sensor == SENSOR_SPN1381) {
		v->value = season->sea.baro_kpa - v->value;
	}
	bounded(v, v->value, 0, SENSOR_END_KPA);
}

static void read_pressure(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, struct encode_value *v)
{
	const struct scenario_filter *f =
		season->machines[stream->engine].filters[stream->filter].options;

	read_filter(s, season, stream->engine, stream->filter, v);
	if (v->state == READING_VALID) {
		bounded(v, v->value, -SENSOR_END_KPA, SENSOR_END_KPA);
		v->value = round(v->value / PRESSURE_STEP_KPA) * PRESSURE_STEP_KPA;
		if (f->sensor_kind == SENSES_OUTLET_VACUUM) {
			v->value = -v->value;
		}
	}
}

static double status_1(const struct scenario_season *season, const struct scenario_machine *m)
{
	const struct scenario_engine_state *e = &m->state;
	unsigned bits = 0;

	bits |= e->coolant_c > HOT_C ? 1U << 1 : 0;
	bits |= e->firing && e->since_s > 15 && e->oil_kpa < 60 ? 1U << 2 : 0;
	bits |= e->firing && e->since_s > 15 && e->feed_kpa < LOW_FEED_KPA ? 1U << 4 : 0;
	bits |= season->battery_v < LOW_VOLT ? 1U << 5 : 0;
	bits |= m->probe ? 1U << 8 : 0;
	return bits;
}

/* SPN and failure mode of what is wrong now, as the value of the decoder's fault codes. */
static double fault_code(const struct scenario_machine *m)
{
	const struct scenario_engine_state *e = &m->state;

	if (e->coolant_c > HOT_C) {
		return 110 + 16 * 524288.0 + 16777216.0;
	}
	if (e->firing && e->since_s > 15 && e->feed_kpa < LOW_FEED_KPA) {
		return 94 + 18 * 524288.0 + 16777216.0;
	}
	return 0;
}

static void read_rate(const struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, struct encode_value *v)
{
	const struct scenario_machine *m = &season->machines[stream->engine];

	if (s->dropouts[stream->engine][SCENARIO_FILTERS_MAX + 1].out) {
		return;
	}
	if (!m->state.running && season->options.disturb.wrong_codes) {
		if (stream->row->nmea2000) {
			/* All bits set, meant as 'not available': reads as one step below nothing.
			 */
			v->state = READING_IMPLAUSIBLE;
			v->value = -0.1;
		} else {
			v->state = READING_ERROR;
		}
		return;
	}
	valid(v, m->burn_lph);
}

static void read_engine(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, enum signal_id signal, struct encode_value *v)
{
	const struct scenario_options *o = &season->options;
	const struct scenario_machine *m = &season->machines[stream->engine];
	const struct scenario_engine_state *e = &m->state;
	double total_l = o->counter_start_l + m->total_kg / o->density_15_kgl;
	double trip_l = (m->total_kg - s->trip_start_kg[stream->engine]) / o->density_15_kgl;
	bool warm_out = s->dropouts[stream->engine][SCENARIO_FILTERS_MAX].out;

	switch (signal) {
	case SIGNAL_ENGINE_SPEED:
		valid(v, e->rpm);
		break;
	case SIGNAL_ENGINE_LOAD:
		if (e->firing) {
			bounded(v, 100 * e->load, 0, 125);
		} else if (o->disturb.wrong_codes && stream->row->nmea2000) {
			v->state = READING_IMPLAUSIBLE;
			v->value = -1;
		}
		break;
	case SIGNAL_ENGINE_TORQUE:
	case SIGNAL_DEMAND_TORQUE:
		bounded(v,
			e->rpm > 0 ? TORQUE_PCT * e->brake_kw / e->rpm * ENGINE_RATED_RPM /
					     ENGINE_RATED_KW
				   : 0,
			0, 125);
		break;
	case SIGNAL_PEDAL:
		bounded(v,
			(e->set_rpm - ENGINE_IDLE_RPM) / (ENGINE_RATED_RPM - ENGINE_IDLE_RPM) * 100,
			0, 100);
		break;
	case SIGNAL_STARTER_MODE:
		valid(v, e->running && !e->firing ? 2 : 0);
		break;
	case SIGNAL_FUEL_RATE:
		read_rate(s, season, stream, v);
		break;
	case SIGNAL_RATED_SPEED:
		valid(v, ENGINE_RATED_RPM);
		break;
	case SIGNAL_TRIP_FUEL:
		counter(v, trip_l, stream->row->nmea2000 ? 1 : 0.5);
		break;
	case SIGNAL_TOTAL_FUEL:
		counter(v, total_l, 0.5);
		break;
	case SIGNAL_TRIP_FUEL_FINE:
		counter(v, trip_l, 0.001);
		break;
	case SIGNAL_TOTAL_FUEL_FINE:
		counter(v, total_l, 0.001);
		break;
	case SIGNAL_ENGINE_HOURS:
		counter(v, o->counter_start_h + m->hours,
			stream->row->nmea2000 ? 1.0 / 3600 : 0.05);
		break;
	case SIGNAL_OIL_PRESSURE:
		bounded(v, e->oil_kpa, 0, 900);
		break;
	case SIGNAL_OIL_TEMPERATURE:
		if (!warm_out) {
			valid(v, e->oil_c);
		}
		break;
	case SIGNAL_COOLANT_TEMPERATURE:
		if (!warm_out) {
			valid(v, e->coolant_c);
		}
		break;
	case SIGNAL_COOLANT_PRESSURE:
		bounded(v, 0.9 * (e->coolant_c - 20), 0, 200);
		break;
	case SIGNAL_EXHAUST_TEMPERATURE:
	case SIGNAL_TEMPERATURE:
		if (!warm_out) {
			valid(v, e->exhaust_c);
		}
		break;
	case SIGNAL_FUEL_TEMPERATURE:
		if (!warm_out) {
			valid(v, m->fuel_c);
		}
		break;
	case SIGNAL_FUEL_PRESSURE:
		bounded(v, e->feed_kpa + 0.6 * scenario_random_normal(&s->random), 0, 900);
		break;
	case SIGNAL_ALTERNATOR_VOLTAGE:
	case SIGNAL_ENGINE_BATTERY_VOLTAGE:
		valid(v, season->battery_v);
		break;
	case SIGNAL_ENGINE_STATUS_1:
		valid(v, status_1(season, m));
		break;
	case SIGNAL_ENGINE_STATUS_2:
		valid(v, 0);
		break;
	case SIGNAL_GEAR:
		valid(v, e->gear);
		break;
	case SIGNAL_GEAR_OIL_PRESSURE:
		valid(v, e->rpm > 0 ? 1100 + 0.15 * e->rpm : 0);
		break;
	case SIGNAL_GEAR_OIL_TEMPERATURE:
		valid(v, season->sea.sea_c + 0.45 * (e->oil_c - season->sea.sea_c));
		break;
	case SIGNAL_INTAKE_TEMPERATURE:
		valid(v, season->room_c);
		break;
	case SIGNAL_FUEL_FILTER:
		read_sensor(s, season, stream->engine, SENSOR_SPN95, v);
		break;
	case SIGNAL_SUCTION_FILTER:
		read_sensor(s, season, stream->engine, SENSOR_SPN1382, v);
		break;
	case SIGNAL_FUEL_INTAKE_PRESSURE:
		read_sensor(s, season, stream->engine, SENSOR_SPN1381, v);
		break;
	case SIGNAL_WATER_IN_FUEL:
		valid(v, m->probe ? 1 : 0);
		break;
	case SIGNAL_FAULT_LAMPS:
		valid(v, fault_code(m) > 0 ? 0x0C04 : 0);
		break;
	case SIGNAL_ACTIVE_FAULT:
		valid(v, fault_code(m));
		break;
	default:
		break;
	}
}

static void read_boat(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, enum signal_id signal, int64_t t_ns,
	struct encode_value *v)
{
	const struct scenario_sea *sea = &season->sea;
	double knots = season->hull.speed_ms / KN_MS;

	switch (signal) {
	case SIGNAL_PRESSURE:
		read_pressure(s, season, stream, v);
		break;
	case SIGNAL_TEMPERATURE:
		valid(v, season->room_c);
		break;
	case SIGNAL_TANK_LEVEL:
	case SIGNAL_FUEL_LEVEL_1:
		if (!s->tank_dropout.out) {
			valid(v, season->tank.level_pct);
		}
		break;
	case SIGNAL_TANK_CAPACITY:
		valid(v, season->tank.capacity_l);
		break;
	case SIGNAL_BATTERY_VOLTAGE:
		valid(v, season->battery_v);
		break;
	case SIGNAL_BATTERY_CURRENT:
		valid(v, season->battery_a);
		break;
	case SIGNAL_WATER_SPEED:
		bounded(v, knots + 0.04 * scenario_random_normal(&s->random), 0, 60);
		break;
	case SIGNAL_GROUND_SPEED:
	case SIGNAL_WHEEL_SPEED:
		bounded(v, sea->ground_ms / KN_MS + 0.03 * scenario_random_normal(&s->random), 0,
			60);
		break;
	case SIGNAL_COURSE:
		valid(v, sea->course_deg);
		break;
	case SIGNAL_LATITUDE:
		valid(v, sea->lat_deg);
		break;
	case SIGNAL_LONGITUDE:
		valid(v, sea->lon_deg);
		break;
	case SIGNAL_ALTITUDE:
		valid(v, 2.5);
		break;
	case SIGNAL_GNSS_TIME:
	case SIGNAL_SYSTEM_TIME:
		valid(v, (double)(t_ns / 100000) * 1e-4);
		break;
	case SIGNAL_RUDDER:
		valid(v, 1.5 * sea->helm.value);
		break;
	case SIGNAL_DEPTH:
		valid(v, sea->depth_m);
		break;
	case SIGNAL_SEA_TEMPERATURE:
		valid(v, sea->sea_c);
		break;
	case SIGNAL_AMBIENT_TEMPERATURE:
		valid(v, sea->air_c);
		break;
	case SIGNAL_BAROMETRIC_PRESSURE:
		valid(v, sea->baro_kpa);
		break;
	default:
		break;
	}
}

void scenario_message_read(struct scenario_sender *s, const struct scenario_season *season,
	const struct sender_stream *stream, enum signal_id signal, int64_t t_ns,
	struct encode_value *ret_value)
{
	ret_value->state = READING_NOT_AVAILABLE;
	ret_value->value = 0;
	if (stream->copy == COPY_HOLLOW) {
		return;
	}
	if (stream->row->kind == SENDS_ENGINE) {
		read_engine(s, season, stream, signal, ret_value);
	}
	if (ret_value->state == READING_NOT_AVAILABLE &&
		(stream->row->kind != SENDS_ENGINE || signal == SIGNAL_BAROMETRIC_PRESSURE ||
			signal == SIGNAL_AMBIENT_TEMPERATURE)) {
		read_boat(s, season, stream, signal, t_ns, ret_value);
	}
}
