'use strict';
/* On a screen the report's charts over time can be looked into: drag to look closer, double-click to go
   back. Paper, and a browser without script, keep the drawings that are in the file. */
Dygraph.PLUGINS = Dygraph.PLUGINS.filter((plugin) => plugin !== Dygraph.Plugins.Legend);

for (const data of document.querySelectorAll('script.series')) {
	const series = JSON.parse(data.textContent);
	const figure = data.parentElement;
	const rows = [];
	let before = null;
	for (const row of series.rows) {
		if (before !== null && row[0] - before > 2.5 * series.width_s) {
			rows.push([new Date((before + series.width_s) * 1000), ...Array(series.lines).fill([null, null, null])]);
		}
		const values = [];
		for (let i = 0; i < series.lines; i++) {
			values.push(row.slice(1 + 3 * i, 4 + 3 * i));
		}
		rows.push([new Date(row[0] * 1000), ...values]);
		before = row[0];
	}
	if (rows.length === 0) {
		continue;
	}
	const box = document.createElement('div');
	const read = document.createElement('figcaption');
	const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();
	const title = series.heading + (series.unit === '' ? '' : ', ' + series.unit);
	box.className = 'live-chart';
	box.setAttribute('aria-hidden', 'true');
	read.textContent = title;
	figure.append(box, read);
	figure.classList.add('is-live');
	new Dygraph(box, rows, {
		labels: ['Time', ...Array.from({length: series.lines}, (none, i) => String(i))],
		labelsUTC: true,
		customBars: true,
		colors: ['--fuel', '--water', '--third'].map(colour),
		gridLineColor: colour('--rule'),
		axisLineColor: colour('--soft-ink'),
		highlightCallback: (event, x, points) => {
			read.textContent = title + ' · ' + new Date(x).toISOString().slice(0, 16).replace('T', ' ') + ' UTC · ' +
				points.filter((point) => point.yval !== null).map((point) => point.yval.toFixed(2)).join(' · ');
		},
		unhighlightCallback: () => {
			read.textContent = title;
		},
	});
}
