'use strict';
/* The page: its views, its settings, the live values. Every figure comes from /api/v1; the page only
   lays them out. Text goes into the page as text, never as markup. */

function element(name, attributes, ...children) {
	const made = document.createElement(name);
	for (const [key, value] of Object.entries(attributes || {})) {
		made.setAttribute(key, value);
	}
	made.append(...children.filter((child) => child !== null && child !== undefined));
	return made;
}

function pause(milliseconds) {
	return new Promise((resolve) => setTimeout(resolve, milliseconds));
}

/* Asks; again a little later when the boat's computer is busy. */
async function ask(path, options) {
	for (let turn = 0; turn < 4; turn++) {
		const answer = await fetch(path, options);
		if (answer.status !== 503) {
			return answer;
		}
		await pause(500 + 1000 * turn);
	}
	return fetch(path, options);
}

async function get(path) {
	const answer = await ask(path, {headers: {Accept: 'application/json'}});
	let body = null;
	try {
		body = await answer.json();
	} catch {
		body = {error: 'the boat\'s computer gave no figures'};
	}
	if (!answer.ok) {
		throw new Error(body.error || 'status ' + answer.status);
	}
	return body;
}

/* Writes: the header is one that no page from elsewhere can make a browser send. */
async function post(path, body) {
	const answer = await fetch(path, {method: 'POST', headers: {'Content-Type': 'application/json', 'Sightbowl-Page': '1'},
		body: JSON.stringify(body)});
	const said = await answer.json();
	if (!answer.ok) {
		throw new Error(said.error || 'status ' + answer.status);
	}
	return said;
}

/* A drawing of the boat's computer, put into the page so that its colours follow the page's. */
async function drawing(path) {
	const answer = await ask(path);
	if (!answer.ok) {
		throw new Error('no drawing');
	}
	const parsed = new DOMParser().parseFromString(await answer.text(), 'image/svg+xml');
	return document.importNode(parsed.documentElement, true);
}

/* The width that a drawing may have, so that its letters are as large on a phone as anywhere. */
function wideAs() {
	return Math.round(document.getElementById('content').clientWidth * 0.92);
}

/* The drawings that are on their way. */
const awaited = new Set();

function drawingBox(path, attributes) {
	const box = element('div', attributes || {});
	const coming = drawing(path).then((picture) => box.append(picture),
		() => box.append(missing('The drawing could not be fetched.'))).finally(() => awaited.delete(coming));
	awaited.add(coming);
	return box;
}

function missing(text) {
	return element('p', {class: 'missing'}, text);
}

/* isTitled: a heading with the same words stands above it already. */
function buildTable(caption, rows, names, onRow, isTitled) {
	const box = element('div', {class: 'scroll', tabindex: '0', role: 'region', 'aria-label': caption});
	const table = element('table', {}, element('caption', {class: isTitled ? 'unseen' : ''}, caption));
	const isNumber = (name) => columns[name] && (quantities[columns[name][1]] || columns[name][1] === 'count');
	table.append(element('thead', {}, element('tr', {}, ...names.map((name) =>
		element('th', {scope: 'col', class: isNumber(name) ? 'number' : 'text'}, columnTitle(name))))));
	const body = element('tbody', {});
	for (const row of rows) {
		const line = element('tr', {});
		names.forEach((name) => {
			const cell = element('td', {'data-column': name}, cellText(name, row[name]));
			if (isNumber(name)) {
				cell.className = 'number';
			} else if (columns[name] && columns[name][1] === 'words') {
				cell.className = 'words';
			}
			line.append(cell);
		});
		if (onRow) {
			onRow(line, row);
		}
		body.append(line);
	}
	table.append(body);
	box.append(table);
	return box;
}

function csvLink(name, query) {
	return element('p', {}, element('a', {href: '/api/v1/' + name + '.csv' + (query ? '?' + query : ''), download: ''},
		'Download CSV'));
}

/* ---- what is known ---- */

const known = {index: null, overview: null, fetched: -Infinity, live: {}};

function hasTable(name) {
	return known.index.tables.includes(name);
}

async function rowsOf(name, query) {
	if (!hasTable(name)) {
		return null;
	}
	const answer = await get('/api/v1/' + name + (query ? '?' + query : ''));
	return answer[name];
}

function hasSignal(name) {
	return known.overview.signals.some((one) => one.signal === name);
}

function logSpan() {
	const boat = known.overview.boat[0];
	return boat.log_end_utc === null ? null
		: {since: Date.parse(boat.log_start_utc), until: Date.parse(boat.log_end_utc) + 60000};
}

const weights = {warning: 3, caution: 2, advice: 1};

/* ---- now ---- */

/* What the boat's computer thinks of it: its words and its reasons, what is wrong first. */
function verdictBox(answer) {
	const verdict = answer.verdict[0];
	const box = element('section', {class: 'verdict', 'aria-labelledby': 'verdict', 'data-verdict': verdict.verdict});
	const reasons = element('ul', {});
	if (verdict.verdict === 'act' || verdict.verdict === 'look') {
		box.classList.add(verdict.verdict === 'act' ? 'warning' : 'caution');
	}
	for (const one of answer.reasons) {
		const evidence = [one.basis, one.since_utc === null ? null : 'since ' + dayText(one.since_utc)]
			.filter((text) => text !== null).join(', ');
		reasons.append(element('li', {}, (one.severity === null ? '' : one.severity + ', ') + one.about + ': ' + one.says +
			(evidence === '' ? '' : ' (' + evidence + ')') + '.'));
	}
	box.append(element('h1', {id: 'verdict'}, verdict.says), reasons);
	return box;
}

function leftWords(one) {
	if (one.left_h_p50 === null) {
		return 'No forecast yet.';
	}
	if (one.left_h_p10 === null || one.left_h_p90 === null || one.left_h_p90 - one.left_h_p10 < 0.5) {
		return 'About ' + amount('hours', one.left_h_p50, 0) + ' left by count.';
	}
	return 'Likely ' + amount('hours', one.left_h_p50, 0) + ' left; between ' + amount('hours', one.left_h_p10, 0) +
		' and ' + amount('hours', one.left_h_p90, 0) + ' in 8 of 10 cases.';
}

function filterCard(one) {
	const card = element('section', {class: 'card filter-card', 'aria-label': 'Filter ' + one.filter});
	card.append(drawingBox('/drawing/filter.svg?' + new URLSearchParams({filter: one.filter})));
	card.append(element('p', {}, one.basis === null ? 'Nothing is known of it.' : 'Basis: ' + one.basis + '.'));
	card.append(element('p', {}, leftWords(one)));
	card.append(element('p', {class: 'quiet'}, [one.element, one.micron === null ? null : amount('size', one.micron, 0),
		'fitted ' + dayText(one.fitted_utc)].filter((text) => text !== null).join(', ')));
	return card;
}

function figureCard(title, big, lines) {
	const card = element('section', {class: 'card'}, element('h2', {}, title),
		element('p', {class: 'big'}, big));
	lines.filter((line) => line !== null).forEach((line) => card.append(element('p', {class: 'quiet'}, line)));
	return card;
}

function burnedCard(title, row) {
	if (!row || row.fuel_l === null) {
		return figureCard(title, '–', ['Not known: no fuel rate and no counter was heard.']);
	}
	return figureCard(title, amount('volume', row.fuel_l, 1), [
		'give or take ' + amount('volume', row.fuel_uncertainty_l, 2) +
			(row.fuel_estimated_l > 0 ? ', ' + amount('volume', row.fuel_estimated_l, 2) + ' of it estimated' : ''),
		amount('hours', row.engine_h, 1) + ' of engine' +
			(row.distance_nm === null ? '' : ', ' + amount('distance', row.distance_nm, 1)),
	]);
}

function tankCard(tank) {
	const title = 'Left in ' + (tank.label || 'tank ' + tank.tank);
	if (tank.level_pct === null) {
		return figureCard(title, '–', ['No level was heard in the last day. A fuel level sender (NMEA 2000 127505, J1939 SPN 96) tells it.',
			tank.fuel_l === null ? null : 'It held ' + amount('volume', tank.fuel_l, 0) + ' at ' + timeText(tank.measured_utc) + '.']);
	}
	const giveOrTake = tank.fuel_sd_l === null ? null : 'give or take ' + amount('volume', 2 * tank.fuel_sd_l, 0);
	return figureCard(title, tank.fuel_l === null ? amount('share', tank.level_pct, 0) : amount('volume', tank.fuel_l, 0), [
		giveOrTake,
		amount('share', tank.level_pct, 0) + (tank.capacity_l === null ? '; its capacity is not told' : ' of ' + amount('volume', tank.capacity_l, 0)) +
			', measured ' + timeText(tank.measured_utc),
		tank.fuel_15_l === null ? null : amount('volume', tank.fuel_15_l, 0) + ' at 15 °C; the fuel is at ' + amount('temperature', tank.fuel_c, 0),
	]);
}

const rangeNames = {
	present: 'At the present speed',
	economical: 'At the most economical speed',
	usual: 'As usual of late',
};

/* How far the fuel goes: each speed of the boat with its range, the careful end of it, and its basis. */
function rangeSection() {
	const box = element('section', {id: 'range', 'aria-label': 'How far it goes'}, element('h2', {}, 'How far it goes'));
	const cards = element('div', {class: 'cards wide'});
	for (const row of known.overview.range) {
		const at = [row.rpm === null ? null : amount('turns', row.rpm, 0),
			row.speed_kn === null ? null : amount('speed', row.speed_kn, 1)].filter((text) => text !== null).join(', ');
		const card = element('div', {class: 'card'}, element('h3', {}, rangeNames[row.range] + (at === '' ? '' : ', ' + at)));
		card.append(element('p', {class: 'big', 'data-range': row.range}, row.range_h === null ? '–'
			: (row.range_nm === null ? '' : amount('distance', row.range_nm, 0) + ', ') + amount('hours', row.range_h, 0)));
		if (row.range_h !== null) {
			card.append(element('p', {class: 'quiet'}, 'at least ' +
				(row.range_nm_p10 === null ? '' : amount('distance', row.range_nm_p10, 0) + ', ') +
				amount('hours', row.range_h_p10, 0) + ' in 9 of 10 cases; ' + amount('flow', row.rate_lph, 2) +
				(row.l_per_nm === null ? '' : ', ' + amount('consumption', row.l_per_nm, 2))));
		}
		card.append(element('p', {class: 'quiet'}, row.basis.charAt(0).toUpperCase() + row.basis.slice(1) + '.'));
		cards.append(card);
	}
	box.append(cards);
	return box;
}

/* A value with its unit; what has none is a count or a state. */
function evidenceText(value, unit) {
	return unit ? value.toFixed(2) + ' ' + unit : String(Number(value.toFixed(2)));
}

function eventBox(one) {
	const box = element('article', {class: 'event ' + one.severity});
	box.append(element('h3', {}, one.severity.toUpperCase() + ' · ' + eventTitle(one)));
	box.append(element('p', {}, one.message));
	const evidence = [];
	if (one.value !== null) {
		evidence.push('value ' + evidenceText(one.value, one.unit));
	}
	if (one.limit !== null) {
		evidence.push('limit ' + evidenceText(one.limit, one.unit));
	}
	if (one.basis !== null) {
		evidence.push(one.basis);
	}
	evidence.push('since ' + timeText(one.raised_utc, true));
	if (one.cleared_utc !== null) {
		evidence.push('cleared ' + timeText(one.cleared_utc, true));
	}
	if (one.acknowledged_utc !== null) {
		evidence.push('acknowledged ' + timeText(one.acknowledged_utc, true));
	}
	box.append(element('p', {class: 'quiet'}, 'Evidence: ' + evidence.join(', ') + '.'));
	if (known.index.write && one.acknowledged_utc === null) {
		const button = element('button', {type: 'button'}, 'Acknowledge');
		const said = element('p', {class: 'quiet', role: 'status'});
		button.addEventListener('click', () => {
			button.disabled = true;
			post('/api/v1/acknowledge', {event: one.event}).then(() => {
				said.textContent = 'Acknowledged.';
				button.remove();
			}, (failure) => {
				said.textContent = 'Not acknowledged: ' + failure.message + '.';
				button.disabled = false;
			});
		});
		box.append(button, said);
	}
	return box;
}

const liveShown = ['engine_speed_rpm', 'fuel_rate_lph', 'coolant_temperature_c', 'oil_temperature_c',
	'exhaust_temperature_c', 'fuel_temperature_c', 'fuel_pressure_kpa', 'ground_speed_kn', 'water_speed_kn'];

function liveStrip() {
	const box = element('section', {class: 'cards', id: 'live', 'aria-label': 'At this moment', hidden: ''});
	return box;
}

function showLive() {
	const box = document.getElementById('live');
	if (!box) {
		return;
	}
	for (const [key, value] of Object.entries(known.live)) {
		const [signal, instance] = key.split(':');
		if (!liveShown.includes(signal)) {
			continue;
		}
		const [, quantity, decimals] = signals[signal];
		let card = box.querySelector('[data-live="' + key + '"]');
		if (!card) {
			card = element('div', {class: 'card', 'data-live': key},
				element('h3', {}, signalName(signal, Number(instance)) + (instance === '0' ? '' : ' ' + instance)),
				element('p', {class: 'big'}));
			box.append(card);
		}
		card.lastChild.textContent = amount(quantity, value, decimals);
		box.hidden = false;
	}
}

function dueNext(elements) {
	const due = (elements || []).filter((one) => one.removed_utc === null && (one.due_utc !== null || one.left_h_p50 !== null))
		.sort((a, b) => String(a.due_utc || '9').localeCompare(String(b.due_utc || '9')));
	if (due.length === 0) {
		return missing('Nothing has a due date yet: no limit, change interval or date of fitting is told for any filter ([filter] in the configuration), or the log is too young to forecast.');
	}
	const list = element('ol', {});
	for (const one of due) {
		list.append(element('li', {}, one.filter + ' element: ' +
			(one.due_utc === null ? '' : dayText(one.due_utc)) + (one.due_by === null ? '' : ', by ' + one.due_by) +
			(one.left_h_p50 === null ? '' : '; ' + leftWords(one))));
	}
	return list;
}

async function showNow(main) {
	const [elements, events, verdict] = await Promise.all([rowsOf('elements'), rowsOf('events'), get('/api/v1/verdict')]);
	const standing = (events || []).filter((one) => one.cleared_utc === null)
		.sort((a, b) => (weights[b.severity] || 0) - (weights[a.severity] || 0));
	const burned = known.overview.burned;
	main.append(verdictBox(verdict), liveStrip());
	main.append(element('h2', {}, 'Filters'));
	const filters = element('div', {class: 'cards filters'});
	const fitted = elements ? elements.filter((one) => one.removed_utc === null)
		: known.overview.filters.map((one) => ({...one, used_pct: null, basis: null, fitted_utc: null,
			left_h_p10: null, left_h_p50: null, left_h_p90: null, due_utc: null, due_by: null}));
	fitted.forEach((one) => filters.append(filterCard(one)));
	main.append(filters, element('h2', {}, 'Due next'), dueNext(elements), element('h2', {}, 'Fuel'));
	const cards = element('div', {class: 'cards', id: 'fuel'});
	cards.append(burnedCard('Burned today', burned.find((row) => row.period === 'today')));
	const trip = burned.find((row) => row.period.endsWith('trip'));
	cards.append(burnedCard(trip && trip.period === 'this trip' ? 'This trip' : 'Last trip', trip));
	known.overview.tanks.forEach((tank) => cards.append(tankCard(tank)));
	if (known.overview.tanks.length === 0) {
		cards.append(figureCard('Left in the tank', '–', ['No tank level was heard. A fuel level sender (NMEA 2000 127505, J1939 SPN 96) tells it.']));
	}
	main.append(cards, rangeSection());
	main.append(element('h2', {}, standing.length === 0 ? 'Events' : 'Standing events'));
	if (standing.length === 0) {
		main.append(element('p', {}, 'None stands.'));
	}
	standing.forEach((one) => main.append(eventBox(one)));
	showLive();
}

/* ---- trips ---- */

/* The years of the log, the latest first; empty when it is short enough to be shown at once. */
function logYears() {
	const span = logSpan();
	if (span === null || span.until - span.since < 400 * 86400000) {
		return [];
	}
	const years = [];
	for (let year = new Date(span.until).getUTCFullYear(); year >= new Date(span.since).getUTCFullYear(); year--) {
		years.push(String(year));
	}
	return years;
}

/* A choice of the year that a view shows; path is the view's place without the year. */
function yearChoice(path, years, year) {
	const choice = element('select', {id: 'year'}, ...years.map((one) => element('option', one === year ? {selected: ''} : {}, one)));
	choice.addEventListener('change', () => {
		focused = 'year';
		location.hash = path + '/' + choice.value;
	});
	return element('p', {}, element('label', {}, 'Year ', choice));
}

function yearQuery(year) {
	return year === undefined ? '' : new URLSearchParams({since: year + '-01-01', until: (Number(year) + 1) + '-01-01'}).toString();
}

async function showTrips(main, argument, chosen) {
	const years = logYears();
	const year = years.includes(chosen) ? chosen : years[0];
	const trips = await rowsOf('trips', yearQuery(year));
	main.append(element('h1', {}, 'Trips'));
	if (trips && trips.length === 0 && year !== undefined) {
		main.append(yearChoice('trips/all', years, year), element('p', {}, 'There was no trip in this year.'));
		return;
	}
	if (!trips || trips.length === 0) {
		main.append(missing('No trip is in the log yet. A trip begins when an engine runs (NMEA 2000 127488, J1939 61444) or the boat moves.'));
		return;
	}
	if (argument && argument !== 'all') {
		const named = (row) => String(row.trip) === argument;
		await showTrip(main, trips.some(named) || year === undefined ? trips.filter(named)
			: (await rowsOf('trips')).filter(named));
	}
	trips.reverse();
	if (year !== undefined) {
		main.append(yearChoice('trips/all', years, year));
	}
	main.append(buildTable(year === undefined ? 'All trips, the latest first' : 'Trips of ' + year + ', the latest first', trips, ['trip', 'start_utc', 'fuel_l', 'distance_nm', 'engine_h', 'l_per_nm',
		'mean_lph', 'fuel_uncertainty_l', 'co2_kg', 'max_coolant_c', 'events'], (line, row) => {
		line.firstChild.replaceChildren(element('a', {href: '#trips/' + row.trip + (year === undefined ? '' : '/' + year)}, String(row.trip)));
	}), csvLink('trips', yearQuery(year)));
}

async function showTrip(main, rows) {
	if (rows.length === 0) {
		main.append(missing('There is no such trip.'));
		return;
	}
	const row = rows[0];
	main.append(element('h2', {}, 'Trip ' + row.trip + ', ' + timeText(row.start_utc, true) + ' to ' + timeText(row.end_utc)));
	const figures = element('dl', {class: 'figures'});
	for (const name of ['engine_h', 'idle_h', 'fuel_l', 'fuel_uncertainty_l', 'fuel_estimated_l', 'mean_lph', 'max_lph', 'distance_nm', 'l_per_nm', 'co2_kg', 'max_coolant_c']) {
		figures.append(element('dt', {}, columnTitle(name)), element('dd', {'data-column': name}, cellText(name, row[name])));
	}
	const two = element('div', {class: 'two'}, element('div', {class: 'card'}, figures),
		drawingBox('/drawing/track.svg?trip=' + row.trip, {class: 'card'}));
	main.append(two);
	if (row.start_utc === null) {
		main.append(missing('The trip has no date, so it cannot be charted: neither the recorder nor the bus told the time.'));
		return;
	}
	const span = {since: Date.parse(row.start_utc), until: Date.parse(row.end_utc) + 10000};
	for (const name of ['fuel_rate_lph', 'engine_speed_rpm', 'ground_speed_kn']) {
		addChart(main, [name], span);
	}
}

/* Charts of signals that are in the log; says what is missing otherwise. isOwn: which of them. */
function addChart(main, names, span, title, absent, isOwn) {
	const wanted = known.overview.signals.filter((one) => names.includes(one.signal) && (!isOwn || isOwn(one))).slice(0, 4).map((one) => ({
		signal: one.signal,
		instance: one.instance,
		name: signalName(one.signal, one.instance) + (one.instance > 0 && one.instance < 256 ? ' ' + one.instance : ''),
		quantity: signals[one.signal] ? signals[one.signal][1] : 'plain',
		decimals: signals[one.signal] ? signals[one.signal][2] : 1,
	}));
	if (wanted.length === 0 || span === null) {
		if (absent) {
			main.append(missing(absent));
		}
		return;
	}
	const box = element('section', {class: 'chart-box'});
	main.append(box);
	buildChart(box, {title: title || wanted[0].name, signals: wanted, ...span});
}

/* ---- filters ---- */

async function showFilters(main) {
	const elements = await rowsOf('elements');
	main.append(element('h1', {}, 'Filters'));
	for (const filter of known.overview.filters) {
		main.append(element('h2', {}, filter.filter));
		const fitted = (elements || []).find((one) => one.filter === filter.filter && one.removed_utc === null);
		const two = element('div', {class: 'two'});
		two.append(filterCard(fitted || {...filter, used_pct: null, basis: null, fitted_utc: null, left_h_p10: null,
			left_h_p50: null, left_h_p90: null}));
		if (filter.sensor === 'none') {
			two.append(missing('Nothing measures this filter, so its restriction against litres cannot be drawn. A differential pressure sensor across it, or a vacuum sensor at its outlet (NMEA 2000 130314, J1939 SPN 95 or SPN 1382), would; tell it as sensor under [filter ' + filter.filter + '].'));
		} else if (filter.signal === null) {
			two.append(missing('Its sensor (' + filter.sensor + ' in the configuration) was not heard yet.'));
		} else {
			two.append(drawingBox('/drawing/restriction.svg?' + new URLSearchParams({filter: filter.filter, width: String(Math.min(wideAs(), 520))}), {class: 'card'}));
		}
		main.append(two);
		if (filter.signal !== null && logSpan() !== null) {
			const box = element('section', {class: 'chart-box'});
			main.append(box);
			buildChart(box, {title: 'Pressure at ' + filter.filter + ', as read', ...logSpan(), signals: [{signal: filter.signal,
				instance: filter.instance, name: 'As read', quantity: 'restriction', decimals: 1}]});
		}
	}
	if (elements && elements.length > 0) {
		main.append(buildTable('All elements', elements, Object.keys(elements[0])), csvLink('elements'));
	}
}

/* ---- burn, tank, temperatures ---- */

async function showBurn(main) {
	main.append(element('h1', {}, 'Burn'));
	if (!hasSignal('fuel_rate_lph') || !hasSignal('engine_speed_rpm')) {
		main.append(missing('The burn against engine speed needs the fuel rate (NMEA 2000 127489, J1939 SPN 183) and the engine speed (127488, SPN 190).'));
		return;
	}
	for (const engine of known.overview.engines) {
		main.append(drawingBox('/drawing/burn.svg?engine=' + engine.engine + '&width=' + wideAs(), {class: 'card'}));
	}
	addChart(main, ['fuel_rate_lph'], logSpan());
	addChart(main, ['engine_speed_rpm'], logSpan());
	addChart(main, ['engine_load_pct'], logSpan(), null, 'No engine load was heard (NMEA 2000 127489, J1939 SPN 92).');
}

async function showTank(main) {
	main.append(element('h1', {}, 'Tank and refuelling'));
	const cards = element('div', {class: 'cards'});
	known.overview.tanks.forEach((tank) => cards.append(tankCard(tank)));
	main.append(cards, rangeSection());
	const fuel = known.overview.signals.filter((one) => one.signal === 'tank_level_pct' && one.instance < 16);
	if (fuel.length === 0) {
		main.append(missing('No tank level was heard. A fuel level sender (NMEA 2000 127505, J1939 SPN 96) tells it.'));
	} else if (logSpan() !== null) {
		const box = element('section', {class: 'chart-box'});
		main.append(box);
		buildChart(box, {title: 'Fuel level', ...logSpan(), signals: fuel.slice(0, 4).map((one) => ({signal: one.signal,
			instance: one.instance, name: 'Tank ' + one.instance, quantity: 'share', decimals: 1}))});
	}
	await listTable(main, 'refuellings', 'Refuellings', 'No refuelling was found in the log.');
}

async function listTable(main, name, title, none) {
	const rows = await rowsOf(name);
	if (rows === null) {
		return;
	}
	main.append(element('h2', {}, title));
	if (rows.length === 0) {
		main.append(element('p', {}, none));
		return;
	}
	/* Columns in which nothing is told say nothing; nor do those in which nothing was put right. */
	const told = Object.keys(rows[0]).filter((column) => rows.some((row) => row[column] !== null &&
		!(column === 'revision' && row[column] === 1) && !(column === 'struck' && row[column] === false) &&
		!(column === 'written_utc' && row[column] === row.done_utc)));
	main.append(buildTable(title, rows, told, null, true), csvLink(name));
}

async function showTemperatures(main) {
	main.append(element('h1', {}, 'Temperatures'));
	addChart(main, ['coolant_temperature_c', 'oil_temperature_c', 'gear_oil_temperature_c'], logSpan(), 'Engine', 'No coolant or oil temperature was heard (NMEA 2000 127489, J1939 SPN 110 and SPN 175).');
	const isExhaust = (one) => one.signal === 'exhaust_temperature_c' || temperaturePlaces[one.instance >> 8] === 'Exhaust';
	addChart(main, ['exhaust_temperature_c', 'temperature_c'], logSpan(), 'Exhaust', 'No exhaust temperature was heard (J1939 SPN 173, NMEA 2000 130316).', isExhaust);
	addChart(main, ['fuel_temperature_c'], logSpan(), 'Fuel', 'No fuel temperature was heard (J1939 SPN 174).');
	addChart(main, ['temperature_c', 'sea_temperature_c', 'ambient_temperature_c'], logSpan(), 'Around the engine', null,
		(one) => one.signal !== 'temperature_c' || !isExhaust(one));
}

/* ---- events, book, bus ---- */

async function showEvents(main, argument) {
	const years = logYears();
	const year = years.includes(argument) ? argument : years[0];
	const events = await rowsOf('events', yearQuery(year));
	main.append(element('h1', {}, 'Events'));
	if (year !== undefined) {
		main.append(yearChoice('events', years, year));
	}
	if (!events || events.length === 0) {
		main.append(element('p', {}, year === undefined ? 'Nothing was noticed so far.' : 'Nothing was noticed in this year.'));
	} else {
		events.reverse().forEach((one) => main.append(eventBox(one)));
		main.append(csvLink('events', yearQuery(year)));
	}
	await listTable(main, 'trouble_codes', 'Trouble codes of the engines', 'No trouble code was heard.');
}

/* The work that is most often written down aboard; everything else goes by sightbowl book add. */
const bookKinds = [
	['change', 'Element changed', ['filter', 'item', 'micron', 'waste_fuel_l', 'remark']],
	['drain', 'Water drained off', ['filter', 'water_l', 'looks', 'remark']],
	['bleed', 'Air bled', ['filter', 'remark']],
	['refuel', 'Fuel taken aboard', ['litres', 'place', 'price', 'remark']],
	['note', 'Note', ['remark']],
];
const bookFields = {filter: 'Filter', item: 'Element fitted', micron: 'Micron', waste_fuel_l: 'Fuel caught, L', water_l: 'Water, L',
	looks: 'How it looked', litres: 'Litres', place: 'Where', price: 'Price', remark: 'Remark'};
const bookNumbers = ['micron', 'waste_fuel_l', 'water_l', 'litres', 'price'];

function bookForm() {
	const form = element('form', {class: 'card', 'aria-label': 'Write into the book'});
	const kind = element('select', {}, ...bookKinds.map(([name, title]) => element('option', {value: name}, title)));
	const fields = element('div', {class: 'row'});
	const said = element('p', {role: 'status'});
	function lay() {
		fields.replaceChildren(...bookKinds.find(([name]) => name === kind.value)[2].map((field) => {
			const input = field === 'filter'
				? element('select', {name: field}, ...known.overview.filters.map((one) => element('option', {}, one.filter)))
				: element('input', {name: field, inputmode: bookNumbers.includes(field) ? 'decimal' : 'text'});
			return element('label', {}, bookFields[field] + ' ', input);
		}));
	}
	kind.addEventListener('change', lay);
	lay();
	form.append(element('h2', {}, 'Write into the book'), element('label', {}, 'What was done ', kind), fields,
		element('button', {type: 'submit'}, 'Write'), said);
	form.addEventListener('submit', (event) => {
		event.preventDefault();
		const row = {kind: kind.value, done_utc: utcText(Date.now())};
		for (const input of fields.querySelectorAll('[name]')) {
			const text = input.value.trim();
			if (text !== '') {
				row[input.name] = bookNumbers.includes(input.name) ? Number(text.replace(',', '.')) : text;
			}
		}
		post('/api/v1/book', {book: [row]}).then((answer) => {
			said.textContent = 'Written as entry ' + answer.entry + '.';
			void show(false);
		}, (failure) => {
			said.textContent = 'Not written: ' + failure.message;
		});
	});
	return form;
}

async function showBook(main) {
	main.append(element('h1', {}, 'Service book, spares and waste'));
	if (known.index.write) {
		main.append(bookForm());
	}
	await listTable(main, 'book', 'What was done', 'The book has no entry yet: sightbowl book add writes one.');
	await listTable(main, 'spares', 'Spares aboard', 'The book tells of no spares.');
	await listTable(main, 'waste', 'Waste to land', 'None is aboard.');
	if (!hasTable('book')) {
		main.append(missing('This program keeps no service book.'));
	}
}

async function showBus(main) {
	main.append(element('h1', {}, 'What the bus brings'));
	await listTable(main, 'buses', 'The buses now', 'No bus is listened to.');
	await listTable(main, 'coverage', 'What can be known', 'Nothing was heard.');
	const rows = known.overview.signals.map((one) => ({signal: signalName(one.signal, one.instance),
		number: one.instance & 255, unit: one.unit}));
	if (rows.length === 0) {
		main.append(missing('Nothing was heard yet. Is the bus connected, and does sightbowl listen tell of traffic?'));
	} else {
		main.append(buildTable('Signals in the log', rows, ['signal', 'number', 'unit']));
	}
}

const views = [
	['now', 'Now', showNow],
	['trips', 'Trips', showTrips],
	['filters', 'Filters', showFilters],
	['burn', 'Burn', showBurn],
	['tank', 'Tank', showTank],
	['temperatures', 'Temperatures', showTemperatures],
	['events', 'Events', showEvents],
	['book', 'Book', showBook],
	['bus', 'Bus', showBus],
];

/* ---- the whole ---- */

let showing = 0;
let focused = null; /* the id of what keeps the keyboard in the next view, as a choice that is not made yet */

/* Shows the view that the address names. isRenewed: it is shown already, and its figures are put in the
   place of the old ones when they are whole, so that nothing moves under the reader's eyes. */
async function show(moved, isRenewed) {
	const [name, ...places] = (location.hash.slice(1) || 'now').split('/');
	const view = views.find((one) => one[0] === name) || views[0];
	const main = document.getElementById('content');
	const mine = ++showing;
	const isLate = () => mine !== showing; /* another view was asked for meanwhile */
	const box = element('div', {});
	for (const link of document.querySelectorAll('#views a')) {
		if (link.hash === '#' + view[0]) {
			link.setAttribute('aria-current', 'page');
		} else {
			link.removeAttribute('aria-current');
		}
	}
	document.title = view[1] + ' · Sightbowl';
	function lay(content) {
		forgetCharts();
		main.replaceChildren(content);
	}
	if (!isRenewed) {
		delete main.dataset.view; /* until this one is whole */
	}
	try {
		await refresh();
		if (isLate()) {
			return;
		}
		if (!isRenewed) {
			lay(box);
		}
		await view[2](box, ...places);
		if (isRenewed) {
			await Promise.all(awaited);
		}
		if (isLate()) {
			return;
		}
		if (isRenewed) {
			lay(box);
			showLive();
		}
	} catch (failure) {
		if (isLate()) {
			return;
		}
		lay(missing('The figures could not be fetched: ' + failure.message + '.'));
	}
	main.dataset.view = view[0];
	if (moved) {
		(document.getElementById(focused) || main).focus();
	}
	focused = null;
}

async function refresh() {
	if (known.index === null) {
		known.index = await get('/api/v1/');
	}
	if (performance.now() < known.fetched + 3000) {
		return; /* going from view to view asks no more than it must */
	}
	known.overview = await get('/api/v1/overview');
	known.fetched = performance.now();
	const boat = known.overview.boat[0];
	document.getElementById('boat-name').textContent = boat.name || 'Sightbowl';
	document.getElementById('as-of').textContent = boat.as_of_utc === null ? 'the log is empty'
		: 'as of ' + timeText(boat.as_of_utc, true) + (boat.engine_on ? ', engine on' : '');
	if (!stored('units')) {
		setUnits(boat.units);
	}
}

function stored(key) {
	try {
		return localStorage.getItem('sightbowl-' + key);
	} catch {
		return null;
	}
}

function store(key, value) {
	try {
		localStorage.setItem('sightbowl-' + key, value);
	} catch {
		/* a browser that keeps nothing forgets the setting when the page is closed */
	}
}

function setUnits(system) {
	unitSystem = system === 'us' ? 'us' : 'metric';
	document.getElementById('units').value = unitSystem;
}

function setNight(on) {
	document.documentElement.classList.toggle('night', on);
	document.getElementById('night').setAttribute('aria-pressed', String(on));
}

function listenLive() {
	const source = new EventSource('/api/v1/live');
	source.addEventListener('message', (message) => {
		Object.assign(known.live, JSON.parse(message.data));
		showLive();
	});
	source.addEventListener('error', () => {
		/* The browser itself comes back after a broken line, but not after a refusal. */
		if (source.readyState === EventSource.CLOSED) {
			setTimeout(listenLive, 10000);
		}
	});
}

function begin() {
	const list = document.getElementById('views');
	views.forEach(([name, title]) => list.append(element('li', {}, element('a', {href: '#' + name}, title))));
	setUnits(stored('units') || 'metric');
	setNight(stored('night') === 'on');
	document.getElementById('units').addEventListener('change', (event) => {
		setUnits(event.target.value);
		store('units', unitSystem);
		void show(false);
	});
	document.getElementById('night').addEventListener('click', () => {
		const on = !document.documentElement.classList.contains('night');
		setNight(on);
		store('night', on ? 'on' : 'off');
		void show(false);
	});
	window.addEventListener('hashchange', () => void show(true));
	setInterval(() => {
		const main = document.getElementById('content');
		if (!document.hidden && main.dataset.view === 'now' && main.querySelector(':focus') === null) {
			void show(false, true); /* but never from under a finger */
		}
	}, 15000);
	void show(false);
	listenLive();
}

begin();
