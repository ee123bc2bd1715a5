/* The page over a season's log: what it shows is what the commands say, on a phone and on a desktop, by
   night, by keyboard, to an accessibility checker, and to a browser that lets nothing leave. */
import assert from 'node:assert/strict';
import {after, before, describe, test} from 'node:test';
import {axeSource, desktop, forget, goTo, invent, keepShot, openBrowser, openPage, phone, rowsOf, run, scratch, serve,
	until, views} from './boat_page.mjs';

let folder, boat, server, browser;

before(async () => {
	folder = scratch();
	boat = invent(folder, 12);
	server = await serve('page', '--db', boat.db, '--config', boat.config, '--port', '0');
	browser = await openBrowser(folder);
});

after(async () => {
	await browser?.close();
	await server?.stop();
	forget(folder);
});

for (const [name, size] of [['phone', phone], ['desktop', desktop]]) {
	describe('on a ' + name, () => {
		for (const view of views) {
			test('view ' + view + ' is filled, complains of nothing, fits, and is accessible', async () => {
				const {page, complaints} = await openPage(browser, server.address, size);
				await goTo(page, server.address, view);
				await keepShot(page, name + '-' + view.replace('/', '-'));
				assert.notEqual((await page.textContent('main')).trim(), '');
				assert.ok(await page.evaluate(() => document.documentElement.scrollWidth) <= size.width,
					'the page is wider than the screen');
				await page.evaluate(axeSource);
				const found = await page.evaluate(() => axe.run(document, {resultTypes: ['violations']}));
				assert.deepEqual(found.violations.filter((one) => ['serious', 'critical'].includes(one.impact))
					.map((one) => one.id + ': ' + one.nodes.map((node) => node.html).join(' | ').slice(0, 400)), []);
				assert.deepEqual(complaints, []);
				await page.close();
			});
		}
	});
}

async function column(page, name) {
	return page.$$eval('td[data-column="' + name + '"]', (cells) => cells.map((cell) => cell.textContent));
}

function withUnit(value, decimals, unit) {
	return value === null ? '–' : value.toFixed(decimals) + '\u00a0' + unit;
}

describe('its figures', () => {
	test('trips are those of the command', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'trips');
		const rows = rowsOf(boat, 'trips').reverse();
		assert.ok(rows.length >= 3);
		assert.deepEqual(await column(page, 'trip'), rows.map((row) => String(row.trip)));
		assert.deepEqual(await column(page, 'fuel_l'), rows.map((row) => withUnit(row.fuel_l, 2, 'L')));
		assert.deepEqual(await column(page, 'engine_h'), rows.map((row) => withUnit(row.engine_h, 2, 'h')));
		assert.deepEqual(await column(page, 'distance_nm'), rows.map((row) => withUnit(row.distance_nm, 1, 'nm')));
		assert.deepEqual(await column(page, 'max_coolant_c'), rows.map((row) => withUnit(row.max_coolant_c, 0, '°C')));
		await page.close();
	});

	test('in US units they are those of the command in US units', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'trips');
		await page.selectOption('#units', 'us');
		await until(page, () => document.querySelector('td[data-column="fuel_l"]')?.textContent.includes('gal'));
		/* The table for people: title row, then a row a trip, in the order of the log. */
		const lines = run('trips', '--db', boat.db, '--config', boat.config, '--units', 'us').trim().split('\n');
		const titles = lines[0].trim().split(/\s+/);
		const place = titles.indexOf('fuel_gal');
		assert.ok(place > 0, lines[0]);
		const told = lines.slice(1).map((line) => line.trim().split(/\s+/)[place]).reverse();
		assert.deepEqual(await column(page, 'fuel_l'), told.map((value) => value + '\u00a0US gal'));
		await page.selectOption('#units', 'metric');
		await page.close();
	});

	test('elements are those of the command, and each filter is drawn', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'filters');
		const rows = rowsOf(boat, 'elements', '--at', 'end');
		assert.ok(rows.length >= 2);
		assert.deepEqual(await column(page, 'engine_h'), rows.map((row) => withUnit(row.engine_h, 2, 'h')));
		assert.deepEqual(await column(page, 'used_pct'), rows.map((row) => row.used_pct === null ? '–'
			: row.used_pct.toFixed(0) + ' %'));
		const drawn = await page.$$eval('.filter-card svg .figure', (figures) => figures.map((one) => one.textContent));
		assert.deepEqual(drawn, rows.filter((row) => row.removed_utc === null).map((row) =>
			row.used_pct === null ? '?' : row.used_pct.toFixed(0) + ' %'));
		await page.close();
	});

	test('the verdict and how far the fuel goes are those of the command', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'now');
		const told = JSON.parse(run('status', '--db', boat.db, '--config', boat.config, '--json'));
		assert.equal(await page.$eval('#verdict', (one) => one.textContent), told.verdict[0].says);
		const reasons = await page.$$eval('.verdict li', (all) => all.map((one) => one.textContent));
		assert.equal(reasons.length, told.reasons.length);
		told.reasons.forEach((one, i) => assert.ok(reasons[i].includes(one.says), reasons[i] + ' says not: ' + one.says));
		const ranges = await page.$$eval('#range [data-range]', (all) => all.map((one) => one.textContent));
		assert.deepEqual(ranges, told.range.map((row) => row.range_h === null ? '–'
			: (row.range_nm === null ? '' : withUnit(row.range_nm, 0, 'nm') + ', ') + withUnit(row.range_h, 0, 'h')));
		assert.ok(ranges.some((text) => text !== '–'));
		await page.close();
	});

	test('the engine is said to be on when the command says that it runs', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'now');
		const {engines} = JSON.parse(run('status', '--db', boat.db, '--config', boat.config, '--json'));
		assert.equal((await page.textContent('#as-of')).includes('engine on'), engines.some((one) => one.running));
		await page.close();
	});

	test('litres of the last trip are those of the command', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'now');
		const trips = rowsOf(boat, 'trips');
		const last = trips[trips.length - 1];
		const cards = await page.$$eval('#fuel .card', (all) => all.map((one) => one.innerText));
		const card = cards.find((text) => /(This|Last) trip/.test(text));
		assert.ok(card.includes(withUnit(last.fuel_l, 1, 'L')), card);
		assert.ok(card.includes(withUnit(last.fuel_uncertainty_l, 2, 'L')), card);
		await page.close();
	});

	test('a chart has the mean that the log has, whatever the span', async () => {
		const trips = rowsOf(boat, 'trips');
		for (const [since, until] of [[trips[0].start_utc, trips[0].end_utc], ['2025-05-01', '2025-07-01'],
			['2020-01-01', '2030-01-01']]) {
			const query = new URLSearchParams({signals: 'fuel_rate_lph:0', since, until, points: '500'});
			/* The best of several: the machine has other things to do as well. */
			let best = Infinity, answer = null;
			for (let i = 0; i < 8; i++) {
				const began = performance.now();
				answer = await (await fetch(server.address + 'api/v1/series?' + query)).json();
				best = Math.min(best, performance.now() - began);
			}
			assert.ok(best < 300, 'it took ' + best + ' ms');
			assert.ok(answer.series.rows.length > 0 && answer.series.rows.length <= 501);
			for (const [, mean, low, high] of answer.series.rows) {
				assert.ok(low <= mean && mean <= high);
			}
		}
	});
});

/* Holds the first request for what matches until it is released; returns how to do so. */
async function holdFirst(page, pattern) {
	let release, come;
	const released = new Promise((resolve) => {
		release = resolve;
	});
	const asked = new Promise((resolve) => {
		come = resolve;
	});
	let seen = 0;
	await page.route(pattern, async (route) => {
		if (seen++ === 0) {
			come();
			await released;
		}
		await route.continue();
	});
	return {asked, release: async () => {
		const answered = page.waitForResponse(pattern);
		release();
		await (await answered).finished();
		/* Another answer behind it: what the page does with the first has been done. */
		await page.evaluate(() => fetch('/api/v1/').then((answer) => answer.text()));
	}};
}

describe('what comes late', () => {
	test('is not drawn as a chart of a view that has been left', async () => {
		const {page, complaints} = await openPage(browser, server.address, desktop);
		const held = await holdFirst(page, /\/api\/v1\/series\?/);
		await page.goto(server.address + '#trips/2');
		await held.asked;
		await goTo(page, server.address, 'events');
		await held.release();
		assert.deepEqual(complaints, []);
		await page.close();
	});

	test('does not replace the span that was asked for after it', async () => {
		const {page, complaints} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'trips/2');
		const held = await holdFirst(page, /\/api\/v1\/series\?/);
		const first = page.locator('.chart-box').first();
		await first.getByRole('button', {name: 'Closer'}).click();
		await held.asked;
		const told = () => document.querySelector('.chart-box p.quiet').textContent;
		const whole = await page.evaluate(told);
		const answered = page.waitForResponse(/\/api\/v1\/series\?/);
		await first.getByRole('button', {name: 'All of it'}).click();
		await answered;
		await held.release();
		assert.equal(await page.evaluate(told), whole);
		assert.deepEqual(complaints, []);
		await page.close();
	});

	test('does not replace the view that was asked for after it', async () => {
		const {page, complaints} = await openPage(browser, server.address, desktop);
		const held = await holdFirst(page, /\/api\/v1\/overview/);
		await page.goto(server.address + '#tank');
		await held.asked;
		await goTo(page, server.address, 'events');
		await held.release();
		assert.equal(await page.textContent('main h1'), 'Events');
		assert.equal(await page.getAttribute('main', 'data-view'), 'events');
		assert.deepEqual(complaints, []);
		await page.close();
	});
});

test('the view of now is renewed without being empty, or jumping, in between', async () => {
	const {page, complaints} = await openPage(browser, server.address, phone);
	await goTo(page, server.address, 'now');
	await until(page, () => document.querySelectorAll('.filter-card svg').length >= 2);
	const found = await page.evaluate(async () => {
		const main = document.getElementById('content');
		const old = main.firstElementChild, heights = [];
		const watcher = new MutationObserver(() => heights.push(main.getBoundingClientRect().height));
		window.scrollTo(0, document.documentElement.scrollHeight);
		const before = {place: window.scrollY, height: main.getBoundingClientRect().height};
		watcher.observe(main, {childList: true, subtree: true});
		known.fetched = -Infinity;
		await show(false, true);
		await new Promise((resolve) => requestAnimationFrame(resolve));
		watcher.disconnect();
		return {before, heights, place: window.scrollY, renewed: main.firstElementChild !== old};
	});
	assert.ok(found.renewed);
	assert.equal(found.place, found.before.place);
	assert.deepEqual(found.heights.filter((height) => height !== found.before.height), []);
	assert.deepEqual(complaints, []);
	await page.close();
});

test('on a phone the trips show their litres and miles before anything is pushed aside', async () => {
	const {page} = await openPage(browser, server.address, phone);
	await goTo(page, server.address, 'trips');
	for (const name of ['fuel_l', 'distance_nm']) {
		const cell = await page.locator('td[data-column="' + name + '"]').first().boundingBox();
		assert.ok(cell.x + cell.width <= phone.width, name);
	}
	await page.close();
});

test('the evidence of an event without a unit is a plain number', async () => {
	const {page} = await openPage(browser, server.address, phone);
	await goTo(page, server.address, 'events');
	const events = rowsOf(boat, 'events').reverse();
	const bare = events.findIndex((one) => one.value !== null && !one.unit);
	assert.ok(bare >= 0);
	const said = await page.$$eval('.event .quiet', (all) => all.map((one) => one.textContent));
	assert.ok(said[bare].includes('value ' + events[bare].value + ', '), said[bare]);
	await page.close();
});

test('what is hot as exhaust has a chart of its own, and each line is named beside its stroke', async () => {
	const {page} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'temperatures');
	const lines = Object.fromEntries(await page.$$eval('.chart-box', (all) => all.map((box) =>
		[box.querySelector('h3').textContent, [...box.querySelectorAll('.chart-read .line')].map((one) => one.textContent)])));
	assert.deepEqual(lines['Exhaust, °C'], ['Exhaust']);
	assert.ok(lines['Around the engine, °C'].includes('Engine room'));
	assert.ok(!lines['Around the engine, °C'].includes('Exhaust'));
	/* The stroke beside a name is the line's own colour. */
	const strokes = await page.$$eval('.chart-box:first-of-type .line', (all) => all.map((one) => {
		const probe = document.createElement('i');
		const box = getComputedStyle(one, '::before').borderTopColor;
		document.body.append(probe);
		probe.style.color = chartColours()[Number(one.className.slice(-1))];
		const colour = getComputedStyle(probe).color;
		probe.remove();
		return box === colour;
	}));
	assert.ok(strokes.length > 1);
	assert.ok(strokes.every((same) => same));
	await page.close();
});

describe('its settings', () => {
	test('night is red on black, charts and drawings too, and is remembered', async () => {
		const {page, complaints} = await openPage(browser, server.address, phone);
		await goTo(page, server.address, 'now');
		await page.focus('#night');
		await page.keyboard.press('Space');
		assert.equal(await page.getAttribute('#night', 'aria-pressed'), 'true');
		for (const view of ['now', 'burn', 'trips/2']) {
			await goTo(page, server.address, view);
			const wrong = await page.evaluate(() => {
				const found = [];
				const dark = (text) => {
					const parts = (text.match(/[\d.]+/g) || []).map(Number);
					return parts.length < 3 || (parts.length === 4 && parts[3] === 0) || (parts[1] <= 90 && parts[2] <= 90);
				};
				for (const one of document.querySelectorAll('body, body *')) {
					const style = getComputedStyle(one);
					for (const key of ['color', 'backgroundColor', 'borderTopColor', 'fill', 'stroke']) {
						if (style[key] && !dark(style[key])) {
							found.push(one.tagName + ' ' + one.className + ' ' + key + ' ' + style[key]);
						}
					}
				}
				for (const canvas of document.querySelectorAll('canvas')) {
					const data = canvas.getContext('2d').getImageData(0, 0, canvas.width, canvas.height).data;
					for (let i = 0; i < data.length; i += 4) {
						if (data[i + 3] > 30 && (data[i + 1] > 110 || data[i + 2] > 110)) {
							found.push('canvas ' + data.slice(i, i + 4));
							break;
						}
					}
				}
				return [...new Set(found)].slice(0, 10);
			});
			assert.deepEqual(wrong, []);
			await keepShot(page, 'night-' + view.replace('/', '-'));
		}
		await page.reload();
		await page.waitForSelector('main[data-view]');
		assert.equal(await page.getAttribute('#night', 'aria-pressed'), 'true');
		await page.click('#night');
		assert.deepEqual(complaints, []);
		await page.close();
	});

	test('the keyboard reaches every view and the content', async () => {
		const {page} = await openPage(browser, server.address, desktop);
		await goTo(page, server.address, 'now');
		await page.keyboard.press('Tab');
		assert.equal(await page.evaluate(() => document.activeElement.className), 'skip');
		await page.keyboard.press('Enter');
		assert.equal(await page.evaluate(() => document.activeElement.id), 'content');
		const reached = [];
		await goTo(page, server.address, 'now');
		await page.focus('#night');
		for (let i = 0; i < 9; i++) {
			await page.keyboard.press('Tab');
			reached.push(await page.evaluate(() => document.activeElement.hash));
		}
		assert.deepEqual(reached, ['#now', '#trips', '#filters', '#burn', '#tank', '#temperatures', '#events', '#book', '#bus']);
		await page.keyboard.press('Enter');
		await page.waitForSelector('main[data-view="bus"]');
		assert.equal(await page.evaluate(() => document.activeElement.id), 'content');
		await page.close();
	});
});

test('an entry written on the page is in the book', async () => {
	const {page, complaints} = await openPage(browser, server.address, phone);
	const listed = () => JSON.parse(run('book', 'list', '--db', boat.db, '--config', boat.config, '--json')).book;
	const before = listed().length;
	await goTo(page, server.address, 'book');
	await page.selectOption('form select', 'drain');
	await page.fill('input[name="water_l"]', '0,25');
	await page.fill('input[name="remark"]', '<b>cloudy</b> & dark');
	await page.click('form button');
	await until(page, () => document.querySelector('form p')?.textContent.startsWith('Written')
		|| [...document.querySelectorAll('td[data-column="remark"]')].some((cell) => cell.textContent.includes('cloudy')));
	await until(page, () => [...document.querySelectorAll('td[data-column="remark"]')].some((cell) => cell.textContent.includes('cloudy')));
	assert.ok((await column(page, 'remark')).includes('<b>cloudy</b> & dark'));
	const book = listed().slice(before);
	assert.equal(book.length, 1);
	assert.equal(book[0].kind, 'drain');
	assert.equal(book[0].filter, 'primary');
	assert.equal(book[0].water_l, 0.25);
	assert.deepEqual(complaints, []);
	await page.close();
});

test('no answer lets anything be loaded from elsewhere', async () => {
	for (const asked of ['', 'page.css', 'page.js', 'api/v1/', 'api/v1/trips', 'api/v1/trips.csv', 'metrics', 'nothing-here']) {
		const answer = await fetch(server.address + asked);
		const policy = answer.headers.get('content-security-policy');
		assert.match(policy, /^default-src 'none'/, asked);
		assert.doesNotMatch(policy, /unsafe|https?:|\*/, asked);
		assert.equal(answer.headers.get('set-cookie'), null);
	}
});
