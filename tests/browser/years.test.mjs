/* A log of several years: one year is chosen, and what the view shows is of that year. */
import assert from 'node:assert/strict';
import {after, before, test} from 'node:test';
import {readFileSync, writeFileSync} from 'node:fs';
import path from 'node:path';
import {axeSource, desktop, forget, goTo, keepShot, openBrowser, openPage, rowsOf, run, scratch, serve,
	until} from './boat_page.mjs';

/* The messages by which the bus tells the time (NMEA 2000): what is moved to another year has none. */
const timeGroups = [126992, 129029, 129033];
const narrow = {width: 320, height: 640};

let folder, boat, server, browser;

/* An invented season as a capture of another year, by days of 24 hours. */
function seasonOf(name, hours, days) {
	const place = path.join(folder, name), capture = path.join(folder, name + '.log');
	run('demo', '--folder', place, '--hours', String(hours), '--rates', 'slow', '--compression', 'none',
		'--write-only');
	const lines = readFileSync(path.join(place, 'season.log'), 'utf8').split('\n').filter((line) => line !== '' &&
		!timeGroups.includes((parseInt(line.match(/ ([0-9A-F]{8})#/)[1], 16) >>> 8) & 0x3ffff));
	writeFileSync(capture, lines.map((line) => line.replace(/^\((\d+)/, (whole, seconds) =>
		'(' + (Number(seconds) - days * 86400))).join('\n') + '\n');
	return capture;
}

before(async () => {
	folder = scratch();
	boat = {db: path.join(folder, 'years.db'), config: path.join(folder, 'years.conf')};
	const captures = [seasonOf('earlier', 4, 731), seasonOf('later', 12, 0)];
	writeFileSync(boat.config, readFileSync(path.join(folder, 'later', 'boat.conf'), 'utf8').replace(/^fitted = .*$/gm, ''));
	run('replay', '--db', boat.db, '--config', boat.config, ...captures);
	server = await serve('page', '--db', boat.db, '--config', boat.config, '--port', '0');
	browser = await openBrowser(folder);
});

after(async () => {
	await browser?.close();
	await server?.stop();
	forget(folder);
});

function tripsOf(year) {
	return rowsOf(boat, 'trips', '--since', year + '-01-01', '--until', (year + 1) + '-01-01').reverse();
}

async function column(page, name) {
	return page.$$eval('td[data-column="' + name + '"]', (cells) => cells.map((cell) => cell.textContent));
}

/* Waits until the place is in the address and its view is whole with that year chosen. */
async function reach(page, hash, year) {
	await until(page, ([wanted, chosen]) => location.hash === wanted &&
		document.querySelector('main[data-view] #year')?.value === chosen, [hash, String(year)]);
}

function litres(trips) {
	return trips.map((row) => row.fuel_l.toFixed(2) + '\u00a0L');
}

test('the seasons are of two years, with one between them', () => {
	const years = rowsOf(boat, 'trips').map((row) => row.start_utc.slice(0, 4));
	assert.deepEqual([...new Set(years)], ['2023', '2025']);
	assert.ok(tripsOf(2023).length >= 2 && tripsOf(2025).length >= 2);
	assert.notDeepEqual(litres(tripsOf(2023)), litres(tripsOf(2025)));
});

test('the year that is chosen is the year whose trips are shown, and Back goes back', async () => {
	const {page, complaints} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'trips');
	/* The latest year, and all of them to choose from. */
	assert.equal(await page.$eval('#year', (choice) => choice.value), '2025');
	assert.deepEqual(await page.$$eval('#year option', (all) => all.map((one) => one.textContent)), ['2025', '2024', '2023']);
	assert.deepEqual(await column(page, 'trip'), tripsOf(2025).map((row) => String(row.trip)));
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2025)));
	await page.selectOption('#year', '2023');
	await reach(page, '#trips/all/2023', '2023');
	assert.deepEqual(await column(page, 'trip'), tripsOf(2023).map((row) => String(row.trip)));
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2023)));
	assert.match(await page.textContent('caption'), /2023/);
	await page.selectOption('#year', '2024');
	await reach(page, '#trips/all/2024', '2024');
	assert.match(await page.textContent('main'), /no trip in this year/);
	await page.goBack();
	await reach(page, '#trips/all/2023', '2023');
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2023)));
	await page.goBack();
	await reach(page, '#trips', '2025');
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2025)));
	await page.goForward();
	await reach(page, '#trips/all/2023', '2023');
	/* The address alone leads to it as well, as a bookmark does. */
	await page.reload();
	await reach(page, '#trips/all/2023', '2023');
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2023)));
	assert.deepEqual(complaints, []);
	await page.close();
});

test('a trip of the chosen year has that trip\'s figures and charts', async () => {
	const {page, complaints} = await openPage(browser, server.address, desktop);
	const spans = [];
	for (const year of [2023, 2025]) {
		const trip = tripsOf(year)[0];
		await goTo(page, server.address, 'trips/all/' + year);
		await page.click('td[data-column="trip"] a >> text="' + trip.trip + '"');
		await reach(page, '#trips/' + trip.trip + '/' + year, year);
		await until(page, (number) => document.querySelector('main[data-view] h2')?.textContent.startsWith('Trip ' + number + ','),
			trip.trip);
		await until(page, () => [...document.querySelectorAll('.chart-box')].every((box) =>
			box.querySelector('p.quiet').textContent !== ''));
		assert.equal(await page.$eval('dd[data-column="fuel_l"]', (one) => one.textContent), litres([trip])[0]);
		assert.equal((await column(page, 'fuel_l')).length, tripsOf(year).length);
		const told = await page.$$eval('.chart-box p.quiet', (all) => all.map((one) => one.textContent));
		assert.equal(told.length, 3);
		told.forEach((text) => assert.match(text, new RegExp('^\\d+ \\w+ ' + year + ', .* to \\d+ \\w+ ' + year)));
		assert.equal(await page.$$eval('.chart-area canvas', (all) => all.length > 0), true);
		/* What the chart was drawn from is what the log has of that trip, and of no other. */
		const asked = new URL(await page.$eval('.chart-box a[download]', (one) => one.href)).searchParams;
		assert.equal(asked.get('since'), trip.start_utc);
		spans.push(asked.get('since'));
	}
	assert.notEqual(spans[0], spans[1]);
	assert.deepEqual(complaints, []);
	await page.close();
});

test('events are of the chosen year too', async () => {
	const {page, complaints} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'events');
	for (const year of [2023, 2025]) {
		await page.selectOption('#year', String(year));
		await reach(page, '#events/' + year, year);
		const events = rowsOf(boat, 'events', '--since', year + '-01-01', '--until', (year + 1) + '-01-01').reverse();
		assert.equal(events.length > 0, year === 2025); /* so that one year differs from the other */
		assert.deepEqual(await page.$$eval('.event p:nth-of-type(1)', (all) => all.map((one) => one.textContent)),
			events.map((one) => one.message));
		assert.equal((await page.textContent('main')).includes('Nothing was noticed in this year'), events.length === 0);
	}
	assert.deepEqual(complaints, []);
	await page.close();
});

test('what is downloaded is of the chosen year', async () => {
	const {page} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'trips/all/2023');
	const asked = await page.$eval('a[download]', (one) => one.href);
	const lines = (await (await fetch(asked)).text()).trim().split(/\r?\n/).slice(1);
	assert.deepEqual(lines.map((line) => line.split(',')[0]).reverse(), tripsOf(2023).map((row) => String(row.trip)));
	await page.close();
});

test('the keyboard goes through the years and stays with the choice', async () => {
	const {page, complaints} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'trips');
	await page.focus('#night');
	let reached = '';
	for (let i = 0; i < 15 && reached !== 'year'; i++) {
		await page.keyboard.press('Tab');
		reached = await page.evaluate(() => document.activeElement.id);
	}
	assert.equal(reached, 'year');
	for (const year of ['2024', '2023']) {
		await page.keyboard.press('ArrowDown');
		await reach(page, '#trips/all/' + year, year);
		assert.equal(await page.evaluate(() => document.activeElement.id), 'year');
	}
	assert.deepEqual(await column(page, 'fuel_l'), litres(tripsOf(2023)));
	await page.keyboard.press('ArrowUp');
	await reach(page, '#trips/all/2024', '2024');
	assert.deepEqual(complaints, []);
	await page.close();
});

test('on a screen of 320 pixels the choice and the figures fit', async () => {
	const {page, complaints} = await openPage(browser, server.address, narrow);
	for (const view of ['trips', 'trips/all/2023', 'trips/all/2024', 'events/2023']) {
		await goTo(page, server.address, view);
		assert.ok(await page.evaluate(() => document.documentElement.scrollWidth) <= narrow.width, view);
		const choice = await page.locator('#year').boundingBox();
		assert.ok(choice.x >= 0 && choice.x + choice.width <= narrow.width, view);
		assert.ok(choice.height >= 24 && choice.width >= 24, 'too small for a finger'); /* WCAG 2.2, 2.5.8 */
		await page.evaluate(axeSource);
		const found = await page.evaluate(() => axe.run(document, {resultTypes: ['violations']}));
		assert.deepEqual(found.violations.filter((one) => ['serious', 'critical'].includes(one.impact))
			.map((one) => one.id + ': ' + one.nodes[0].html.slice(0, 200)), []);
		await keepShot(page, 'narrow-' + view.replaceAll('/', '-'));
	}
	await page.selectOption('#year', '2025');
	await reach(page, '#events/2025', '2025');
	assert.deepEqual(complaints, []);
	await page.close();
});
