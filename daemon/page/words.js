'use strict';
/* Names, units and numbers: what the log's columns and signals are called by people, and how their
   values are written. The log's own units go in; a person's come out. */

const quantities = {
	volume: {metric: ['L', 1, 0], us: ['US gal', 1 / 3.785411784, 0]},
	flow: {metric: ['L/h', 1, 0], us: ['US gal/h', 1 / 3.785411784, 0]},
	restriction: {metric: ['kPa', 1, 0], us: ['inHg', 1 / 3.386389, 0]},
	pressure: {metric: ['kPa', 1, 0], us: ['psi', 1 / 6.894757, 0]},
	temperature: {metric: ['°C', 1, 0], us: ['°F', 1.8, 32]},
	consumption: {metric: ['L/nm', 1, 0], us: ['US gal/nm', 1 / 3.785411784, 0]},
	mass: {metric: ['kg', 1, 0], us: ['lb', 1 / 0.45359237, 0]},
	distance: {metric: ['nm', 1, 0], us: ['nm', 1, 0]},
	speed: {metric: ['kn', 1, 0], us: ['kn', 1, 0]},
	hours: {metric: ['h', 1, 0], us: ['h', 1, 0]},
	size: {metric: ['µm', 1, 0], us: ['µm', 1, 0]},
	turns: {metric: ['rpm', 1, 0], us: ['rpm', 1, 0]},
	share: {metric: ['%', 1, 0], us: ['%', 1, 0]},
	plain: {metric: ['', 1, 0], us: ['', 1, 0]},
};

/* column: [what people call it, quantity, decimals]; quantity "time", "text" and "count" are no
   numbers with a unit. */
const columns = {
	run: ['Run', 'count', 0],
	trip: ['Trip', 'count', 0],
	engine: ['Engine', 'count', 0],
	event: ['Event', 'count', 0],
	events: ['Events', 'count', 0],
	start_utc: ['From', 'time', 0],
	end_utc: ['To', 'time', 0],
	engine_h: ['Engine hours', 'hours', 2],
	idle_h: ['Idle', 'hours', 2],
	fuel_l: ['Fuel', 'volume', 2],
	fuel_estimated_l: ['of it estimated', 'volume', 2],
	fuel_uncertainty_l: ['give or take', 'volume', 2],
	mean_lph: ['Mean burn', 'flow', 2],
	max_lph: ['Most', 'flow', 2],
	distance_nm: ['Distance', 'distance', 1],
	l_per_nm: ['Per mile', 'consumption', 2],
	co2_kg: ['CO2', 'mass', 1],
	max_coolant_c: ['Hottest coolant', 'temperature', 0],
	filter: ['Filter', 'text', 0],
	stage: ['Stage', 'text', 0],
	element: ['Element', 'text', 0],
	micron: ['Micron', 'size', 0],
	fitted_utc: ['Fitted', 'time', 0],
	removed_utc: ['Taken out', 'time', 0],
	litres_through: ['Passed through', 'volume', 0],
	restriction_kpa: ['Restriction, as read', 'restriction', 1],
	reference_kpa: ['Restriction, at reference', 'restriction', 1],
	limit_kpa: ['Limit', 'restriction', 1],
	used_pct: ['Used', 'share', 0],
	left_h_p10: ['Left, at least', 'hours', 0],
	left_h_p50: ['Left, likely', 'hours', 0],
	left_h_p90: ['Left, at most', 'hours', 0],
	due_utc: ['Due', 'time', 0],
	due_by: ['Due by', 'text', 0],
	basis: ['Basis', 'text', 0],
	kind: ['Kind', 'text', 0],
	subject: ['Of', 'text', 0],
	severity: ['Weight', 'text', 0],
	raised_utc: ['Raised', 'time', 0],
	acknowledged_utc: ['Acknowledged', 'time', 0],
	cleared_utc: ['Cleared', 'time', 0],
	analysis: ['Analysis', 'text', 0],
	covered: ['Covered', 'text', 0],
	by: ['By', 'words', 0],
	missing: ['Missing', 'words', 0],
	supplied_by: ['Would be supplied by', 'words', 0],
	entry: ['Entry', 'count', 0],
	revision: ['Revision', 'count', 0],
	struck: ['Struck', 'text', 0],
	done_utc: ['Done', 'time', 0],
	written_utc: ['Written', 'time', 0],
	tank: ['Tank', 'count', 0],
	item: ['Item', 'text', 0],
	rated_lph: ['Rated flow', 'flow', 0],
	noticed_utc: ['Noticed', 'time', 0],
	litres_sd: ['give or take (one deviation)', 'volume', 1],
	litres: ['Litres', 'volume', 1],
	water_l: ['Water', 'volume', 2],
	waste_fuel_l: ['Fuel caught', 'volume', 1],
	engine_fuel_l: ['Burned by then', 'volume', 1],
	latitude_deg: ['Latitude', 'text', 0],
	longitude_deg: ['Longitude', 'text', 0],
	message: ['What it says', 'words', 0],
	place: ['Where', 'text', 0],
	looks: ['How it looked', 'words', 0],
	remark: ['Remark', 'words', 0],
	price: ['Price', 'text', 0],
	aboard: ['Aboard', 'text', 0],
	used: ['Used', 'text', 0],
	filters: ['Fits', 'text', 0],
	first_need_utc: ['Needed first', 'time', 0],
	short: ['To buy', 'text', 0],
	what: ['What', 'text', 0],
	unit: ['Unit', 'text', 0],
	taken_out: ['Taken out', 'text', 0],
	landed: ['Landed', 'text', 0],
	signal: ['Signal', 'text', 0],
	number: ['Number', 'count', 0],
	bus: ['Bus', 'text', 0],
	source: ['Sender', 'count', 0],
	spn: ['SPN', 'count', 0],
	fmi: ['FMI', 'count', 0],
	standing: ['Stands', 'text', 0],
	lamp: ['Lamp', 'text', 0],
	occurrences: ['Times', 'count', 0],
	first_utc: ['First heard', 'time', 0],
	since_utc: ['Since', 'time', 0],
	says: ['What it says', 'words', 0],
	state: ['State', 'text', 0],
	controller: ['Controller', 'text', 0],
	bit_rate: ['Bits a second', 'count', 0],
	frames: ['Frames', 'count', 0],
	dropped: ['Dropped', 'count', 0],
	error_frames: ['Error frames', 'count', 0],
	outages: ['Outages', 'count', 0],
	last_error: ['Last error', 'words', 0],
	cause: ['Likely cause', 'words', 0],
};

/* Signals that have a view: what people call them and their quantity. */
const signals = {
	fuel_rate_lph: ['Burn', 'flow', 1],
	engine_speed_rpm: ['Engine speed', 'turns', 0],
	engine_load_pct: ['Engine load', 'share', 0],
	coolant_temperature_c: ['Coolant', 'temperature', 0],
	oil_temperature_c: ['Oil', 'temperature', 0],
	exhaust_temperature_c: ['Exhaust', 'temperature', 0],
	fuel_temperature_c: ['Fuel temperature', 'temperature', 0],
	intake_temperature_c: ['Intake air', 'temperature', 0],
	gear_oil_temperature_c: ['Gearbox oil', 'temperature', 0],
	sea_temperature_c: ['Sea', 'temperature', 0],
	ambient_temperature_c: ['Outside air', 'temperature', 0],
	temperature_c: ['Temperature', 'temperature', 0],
	fuel_pressure_kpa: ['Fuel pressure', 'pressure', 0],
	oil_pressure_kpa: ['Oil pressure', 'pressure', 0],
	fuel_filter_kpa: ['Across the filter', 'restriction', 1],
	suction_filter_kpa: ['Across the suction filter', 'restriction', 1],
	fuel_intake_pressure_kpa: ['At the pump\'s intake', 'pressure', 1],
	pressure_kpa: ['Pressure', 'restriction', 1],
	ground_speed_kn: ['Speed over ground', 'speed', 1],
	water_speed_kn: ['Speed through water', 'speed', 1],
	tank_level_pct: ['Tank level', 'share', 1],
	battery_v: ['Battery', 'plain', 1],
	alternator_v: ['Alternator', 'plain', 1],
	battery_a: ['Battery current', 'plain', 1],
	altitude_m: ['Height above sea', 'plain', 1],
	barometric_pressure_kpa: ['Air pressure', 'pressure', 1],
	coolant_pressure_kpa: ['Coolant pressure', 'pressure', 0],
	gear_oil_pressure_kpa: ['Gearbox oil pressure', 'pressure', 0],
	course_deg: ['Course', 'plain', 0],
	depth_m: ['Depth', 'plain', 1],
	engine_hours_h: ['Engine hours', 'hours', 1],
	engine_status_1: ['The engine\'s warnings', 'plain', 0],
	engine_status_2: ['The engine\'s warnings, second set', 'plain', 0],
	engine_torque_pct: ['Torque', 'share', 0],
	gear: ['Gear', 'plain', 0],
	gear_status: ['The gearbox\'s warnings', 'plain', 0],
	latitude_deg: ['Latitude', 'plain', 4],
	longitude_deg: ['Longitude', 'plain', 4],
	rated_speed_rpm: ['Rated speed', 'turns', 0],
	rudder_deg: ['Rudder', 'plain', 0],
	tank_capacity_l: ['Tank\'s capacity', 'volume', 0],
	trip_fuel_l: ['Fuel of the trip, counted by the engine', 'volume', 1],
	pedal_pct: ['Helm\'s demand', 'share', 0],
	system_time_s: ['Date and time', 'plain', 0],
};

/* NMEA 2000's pressure sources (PGN 130314): the upper byte of the instance. */
const pressurePlaces = ['Air pressure', 'Water pressure', 'Steam pressure', 'Compressed air', 'Hydraulic pressure',
	'Filter pressure', 'Altimeter setting', 'Oil pressure', 'Fuel pressure, sensor'];

/* NMEA 2000's temperature sources (PGN 130312, 130316): the upper byte of the instance. */
const temperaturePlaces = ['Sea', 'Outside', 'Inside', 'Engine room', 'Main cabin', 'Live well',
	'Bait well', 'Refrigerator', 'Heating', 'Dew point', 'Wind chill, apparent',
	'Wind chill, theoretical', 'Heat index', 'Freezer', 'Exhaust'];

let unitSystem = 'metric';

function unitOf(quantity) {
	return quantities[quantity][unitSystem][0];
}

function shown(quantity, value) {
	const [, factor, offset] = quantities[quantity][unitSystem];
	return value * factor + offset;
}

/* A number with its unit; a dash where it is not known. */
function amount(quantity, value, decimals) {
	if (value === null || value === undefined || Number.isNaN(value)) {
		return '–';
	}
	const unit = unitOf(quantity);
	const text = shown(quantity, value).toFixed(decimals).replace(/^-(0(\.0*)?)$/, '$1');
	return unit === '' ? text : text + (unit === '%' ? ' %' : '\u00a0' + unit);
}

function timeText(utc, withYear) {
	if (utc === null || utc === undefined) {
		return '–';
	}
	const options = {day: 'numeric', month: 'short', hour: '2-digit', minute: '2-digit', hour12: false};
	if (withYear) {
		options.year = 'numeric';
	}
	return new Date(utc).toLocaleString('en-GB', options);
}

function dayText(utc) {
	if (utc === null || utc === undefined) {
		return '–';
	}
	return new Date(utc).toLocaleDateString('en-GB', {day: 'numeric', month: 'short', year: 'numeric'});
}

function cellText(column, value) {
	const known = columns[column];
	if (value === null || value === undefined || value === '') {
		return '–';
	}
	if (known && known[1] === 'time') {
		return timeText(value, true);
	}
	if (known && quantities[known[1]]) {
		return amount(known[1], value, known[2]);
	}
	if (column === 'by' || column === 'missing') {
		return signalNames(value);
	}
	if (typeof value === 'boolean') {
		return value ? 'yes' : 'no';
	}
	if (typeof value === 'number' && !Number.isInteger(value)) {
		return value.toFixed(2);
	}
	if (typeof value === 'string' && /^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ$/.test(value)) {
		return timeText(value, true);
	}
	return String(value);
}

/* "fuel_rate_lph, gear" as people say it. */
function signalNames(list) {
	return list.split(', ').map((name) => signalName(name, -1)).join(', ');
}

function columnTitle(column) {
	const known = columns[column];
	const words = known ? known[0] : column.replace(/_/g, ' ');
	return words.charAt(0).toUpperCase() + words.slice(1);
}

function signalName(signal, instance) {
	if (signal === 'pressure_kpa' && instance >= 0) {
		return pressurePlaces[instance >> 8] || 'Pressure';
	}
	if (signal === 'temperature_c' && instance >= 0) {
		return temperaturePlaces[instance >> 8] || 'Temperature ' + instance;
	}
	return signals[signal] ? signals[signal][0] : signal.replace(/_/g, ' ');
}

function eventTitle(event) {
	const kind = event.kind.replace(/-/g, ' ');
	return kind.charAt(0).toUpperCase() + kind.slice(1) + ', ' + event.subject;
}
