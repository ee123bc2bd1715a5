'use strict';
/* Charts over time, drawn by dygraphs from /api/v1/series, with buttons, a line that reads the values
   out, and the same figures as a table. */

/* page.css draws the same strokes and colours beside the lines' names. */
const chartMarks = [[], [7, 3], [2, 4], [10, 3, 2, 3]];

/* The library's legend styles its text in a way that the page's policy forbids; the charts here read
   their values out themselves. */
Dygraph.PLUGINS = Dygraph.PLUGINS.filter((plugin) => plugin !== Dygraph.Plugins.Legend);

/* The charts of the view that is shown. */
const charts = new Set();

/* Lets go of all charts, before their view is replaced: the library listens to the window for each. */
function forgetCharts() {
	for (const state of charts) {
		state.graph?.destroy();
		state.graph = null;
	}
	charts.clear();
}

function cssColour(name) {
	return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
}

function chartColours() {
	return ['--fuel', '--water', '--third', '--ink'].map(cssColour);
}

function utcText(milliseconds) {
	return new Date(milliseconds).toISOString().slice(0, 19) + 'Z';
}

/* rows of the answer → dygraphs' rows: a date, then [low, mean, high] of each signal, with an empty row
   where nothing was logged for a while. */
function chartRows(series, drawn) {
	const rows = [];
	let before = null;
	for (const row of series.rows) {
		if (before !== null && row[0] - before > 2.5 * series.width_s) {
			rows.push([new Date((before + series.width_s) * 1000), ...drawn.map(() => [null, null, null])]);
		}
		const values = drawn.map((one, i) => {
			const mean = row[1 + 3 * i];
			if (mean === null) {
				return [null, null, null];
			}
			return [row[2 + 3 * i], mean, row[3 + 3 * i]].map((value) => shown(one.quantity, value));
		});
		rows.push([new Date(row[0] * 1000), ...values]);
		before = row[0];
	}
	return rows;
}

/* Builds a chart in box. wanted: {title, signals: [{signal, instance, name, quantity, decimals}],
   since, until (ms)}. Signals of one chart share their quantity. */
function buildChart(box, wanted) {
	const state = {since: wanted.since, until: wanted.until, graph: null, asked: 0};
	const quantity = wanted.signals[0].quantity;
	const heading = element('h3', {}, wanted.title + ', ' + unitOf(quantity));
	const area = element('div', {class: 'chart-area', role: 'img', 'aria-label': wanted.title});
	const read = element('p', {class: 'chart-read', 'aria-hidden': 'true'});
	const told = element('p', {class: 'quiet', 'aria-live': 'polite'});
	const details = element('details', {}, element('summary', {}, 'The same as a table'));
	const download = element('a', {download: ''}, 'Download CSV');
	const buttons = element('div', {class: 'row', role: 'group', 'aria-label': 'Span of ' + wanted.title});

	function button(text, change) {
		const one = element('button', {type: 'button'}, text);
		one.addEventListener('click', () => {
			change();
			void load();
		});
		buttons.append(one);
	}
	function move(share) {
		const span = state.until - state.since;
		state.since += span * share;
		state.until += span * share;
	}
	function scale(factor) {
		const middle = (state.since + state.until) / 2, half = (state.until - state.since) / 2 * factor;
		state.since = middle - Math.max(half, 150000);
		state.until = middle + Math.max(half, 150000);
	}
	button('Earlier', () => move(-0.5));
	button('Later', () => move(0.5));
	button('Closer', () => scale(0.5));
	button('Wider', () => scale(2));
	button('All of it', () => {
		state.since = wanted.since;
		state.until = wanted.until;
	});
	buttons.append(download);
	box.append(heading, area, read, buttons, told, details);
	charts.add(state);

	function fillTable(series) {
		const step = Math.max(1, Math.ceil(series.rows.length / 30));
		const rows = series.rows.filter((row, i) => i % step === 0).map((row) => {
			const cells = {start_utc: utcText(row[0] * 1000)};
			wanted.signals.forEach((one, i) => {
				const mean = row[1 + 3 * i];
				cells[one.name] = mean === null ? '–' : amount(one.quantity, mean, one.decimals) +
					' (' + amount(one.quantity, row[2 + 3 * i], one.decimals) + ' to ' +
					amount(one.quantity, row[3 + 3 * i], one.decimals) + ')';
			});
			return cells;
		});
		details.replaceChildren(details.firstChild,
			buildTable(wanted.title, rows, ['start_utc', ...wanted.signals.map((one) => one.name)]));
	}

	/* What each line is, and its mean at x. */
	function readOut(rows, x) {
		const row = x === null ? null : rows.find((one) => one[0].getTime() === x);
		read.replaceChildren(...(row ? [timeText(x, true)] : []), ...wanted.signals.map((one, i) => {
			const mean = row ? row[1 + i][1] : null;
			return element('span', {class: 'line line-' + i % 4}, one.name +
				(mean === null ? '' : ' ' + mean.toFixed(one.decimals) + ' ' + unitOf(one.quantity)));
		}));
	}

	function draw(series) {
		const rows = chartRows(series, wanted.signals);
		const known = series.rows.length > 0;
		if (state.graph) {
			state.graph.destroy();
			state.graph = null;
		}
		area.replaceChildren();
		told.textContent = known
			? timeText(series.since_utc, true) + ' to ' + timeText(series.until_utc, true) +
				', a point for ' + spanText(series.width_s) + '; the shade reaches from least to greatest.'
			: 'Nothing was logged between ' + timeText(series.since_utc, true) + ' and ' +
				timeText(series.until_utc, true) + '.';
		area.setAttribute('aria-label', wanted.title + '. ' + told.textContent);
		if (!known) {
			return;
		}
		const colours = chartColours();
		const options = {};
		readOut(rows, null);
		wanted.signals.forEach((one, i) => {
			options[one.name] = {color: colours[i % 4], strokePattern: chartMarks[i % 4].length ? chartMarks[i % 4] : null};
		});
		state.graph = new Dygraph(area, rows, {
			labels: ['Time', ...wanted.signals.map((one) => one.name)],
			series: options,
			customBars: true,
			dateWindow: [state.since, state.until],
			strokeWidth: 1.8,
			drawPoints: rows.length < 40,
			pointSize: 2,
			gridLineColor: cssColour('--rule'),
			axisLineColor: cssColour('--soft-ink'),
			includeZero: quantity === 'flow' || quantity === 'turns',
			highlightCallback: (event, x) => readOut(rows, x),
			unhighlightCallback: () => readOut(rows, null),
			zoomCallback: (least, most) => {
				state.since = least;
				state.until = most;
				void load();
			},
		});
	}

	/* What was asked before a later question, or for a view that has been left since, is not drawn when
	   it comes at last: a box that is out of the page has no size and no style. */
	async function load() {
		const mine = ++state.asked;
		const isLate = () => !area.isConnected || mine !== state.asked;
		const query = new URLSearchParams({
			signals: wanted.signals.map((one) => one.signal + ':' + one.instance).join(','),
			since: utcText(state.since),
			until: utcText(state.until + 999),
			points: String(Math.min(1500, Math.max(200, area.clientWidth))),
		});
		download.href = '/api/v1/series.csv?' + query;
		try {
			const answer = await get('/api/v1/series?' + query);
			if (isLate()) {
				return;
			}
			draw(answer.series);
			fillTable(answer.series);
		} catch (failure) {
			if (isLate()) {
				return;
			}
			told.textContent = 'The chart could not be drawn: ' + failure.message + '.';
		}
	}
	void load();
	return state;
}

function spanText(seconds) {
	if (seconds < 60) {
		return seconds + ' s';
	}
	if (seconds < 7200) {
		return Math.round(seconds / 60) + ' min';
	}
	return seconds < 172800 ? Math.round(seconds / 3600) + ' h' : Math.round(seconds / 86400) + ' days';
}
