/* The report, opened from disk: needs nothing else, says what the commands say, prints on A4 and Letter. */
import assert from 'node:assert/strict';
import {after, before, test} from 'node:test';
import {readFileSync} from 'node:fs';
import path from 'node:path';
import {axeSource, desktop, forget, invent, keepShot, openBrowser, openPage, phone, rowsOf, run, scratch} from './boat_page.mjs';

let folder, boat, browser;

before(async () => {
	folder = scratch();
	boat = invent(folder, 8);
	run('report', '--db', boat.db, '--config', boat.config, '--output', path.join(folder, 'season.html'));
	run('report', '--db', boat.db, '--config', boat.config, '--trip', '2', '--output', path.join(folder, 'trip.html'));
	run('report', '--db', boat.db, '--config', boat.config, '--element', 'primary', '--output', path.join(folder, 'element.html'));
	browser = await openBrowser(folder);
});

after(async () => {
	await browser?.close();
	forget(folder);
});

for (const name of ['season', 'trip', 'element', 'report']) {
	test('the ' + name + ' opens from disk, loads nothing, complains of nothing, is accessible, prints', async () => {
		const address = 'file://' + path.join(folder, name + '.html');
		for (const size of [phone, desktop]) {
			const {page, complaints} = await openPage(browser, address, size);
			await page.goto(address);
			await page.waitForSelector('figure.is-live canvas');
			await keepShot(page, 'report-' + name + '-' + size.width);
			await page.evaluate(axeSource);
			const found = await page.evaluate(() => axe.run(document, {resultTypes: ['violations']}));
			assert.deepEqual(found.violations.filter((one) => ['serious', 'critical'].includes(one.impact))
				.map((one) => one.id + ': ' + one.nodes[0].html.slice(0, 200)), []);
			for (const format of ['A4', 'Letter']) {
				const bytes = await page.pdf({format, path: process.env.SIGHTBOWL_SHOTS
					? path.join(process.env.SIGHTBOWL_SHOTS, 'report-' + name + '-' + format + '.pdf') : undefined});
				assert.ok(bytes.length > 10000);
			}
			await page.emulateMedia({media: 'print'});
			/* On paper the drawings in the file stand, and no table is wider than the sheet. */
			assert.equal(await page.isVisible('figure.is-live > svg'), true);
			assert.equal(await page.isVisible('.live-chart'), false);
			assert.deepEqual(complaints, []);
			await page.close();
		}
	});
}

test('nothing on a sheet is wider than A4 or Letter', async () => {
	const {page} = await openPage(browser, 'file://', desktop);
	await page.goto('file://' + path.join(folder, 'season.html'));
	await page.emulateMedia({media: 'print'});
	for (const width of [184 / 25.4 * 96, (216 - 26) / 25.4 * 96]) { /* less the margins, in CSS pixels */
		await page.setViewportSize({width: Math.floor(width), height: 900});
		const wide = await page.$$eval('table, figure, svg', (all, most) => all.filter((one) =>
			one.getBoundingClientRect().right > most + 1).map((one) => one.outerHTML.slice(0, 120)), width);
		assert.deepEqual(wide, []);
	}
	await page.close();
});

test('its figures are those of the commands', async () => {
	const {page} = await openPage(browser, 'file://', desktop);
	await page.goto('file://' + path.join(folder, 'season.html'));
	const runs = rowsOf(boat, 'runs');
	const sum = (name) => runs.reduce((total, row) => total + row[name], 0);
	const figures = Object.fromEntries(await page.$$eval('.figures div', (all) =>
		all.map((one) => [one.querySelector('dt').textContent, one.querySelector('dd').textContent])));
	assert.equal(figures['Engine hours'], sum('engine_h').toFixed(1) + '\u00a0h');
	assert.equal(figures['Fuel burned'], sum('fuel_l').toFixed(1) + '\u00a0L');
	assert.equal(figures['give or take'], sum('fuel_uncertainty_l').toFixed(2) + '\u00a0L');
	const trips = rowsOf(boat, 'trips');
	const cells = await page.$$eval('table', (tables) => {
		const table = tables.find((one) => one.caption.textContent === 'Trips');
		const at = [...table.tHead.rows[0].cells].findIndex((cell) => cell.textContent.startsWith('fuel'));
		return [...table.tBodies[0].rows].map((row) => row.cells[at].textContent);
	});
	assert.deepEqual(cells, trips.map((row) => row.fuel_l.toFixed(2)));
	assert.equal(await page.$$eval('.trip-row', (all) => all.length), new Set(trips.map((row) => row.trip)).size);
	await page.close();
});

test('each drawing of a restriction says of which filter it is', async () => {
	const {page} = await openPage(browser, 'file://', desktop);
	await page.goto('file://' + path.join(folder, 'season.html'));
	const said = await page.$$eval('figure.restriction figcaption', (all) => all.map((one) => one.textContent.split(':')[0]));
	assert.deepEqual(said, rowsOf(boat, 'elements').filter((row) => row.removed_utc === null).map((row) => 'Filter ' + row.filter));
	await page.close();
});

test('the report of an element has that element alone, and that of a trip says of when its filters are', async () => {
	const {page} = await openPage(browser, 'file://', desktop);
	await page.goto('file://' + path.join(folder, 'element.html'));
	const rows = await page.$$eval('table', (tables) => tables.filter((one) => /^Elements|^Their load/.test(one.caption.textContent))
		.map((one) => [...one.tBodies[0].rows].map((row) => row.cells[0].textContent)));
	assert.deepEqual(rows, [['primary'], ['primary']]);
	await page.goto('file://' + path.join(folder, 'trip.html'));
	const {log} = JSON.parse(run('status', '--db', boat.db, '--config', boat.config, '--json'));
	assert.ok((await page.textContent('main')).includes('as they stand at the log\'s end, ' + log[0].last_utc.slice(0, 10)));
	await page.close();
});

test('a trip that made no way has no track, and on paper nothing is said twice', async () => {
	const {page} = await openPage(browser, 'file://', desktop);
	await page.goto('file://' + path.join(folder, 'season.html'));
	await page.waitForSelector('figure.is-live canvas');
	const stayed = rowsOf(boat, 'trips').filter((row) => row.distance_nm !== null && row.distance_nm < 0.05);
	assert.equal(await page.$$eval('.trip-row .note', (all) => all.length), stayed.length);
	assert.equal(await page.$$eval('figure.track', (all) => all.length), rowsOf(boat, 'trips').length - stayed.length);
	await page.emulateMedia({media: 'print'});
	assert.equal(await page.isVisible('.over-time figcaption'), false);
	await page.close();
});

test('the demo\'s own report says that all is invented; one of a real log does not', () => {
	assert.match(readFileSync(path.join(folder, 'report.html'), 'utf8'), /all figures are invented/);
	assert.doesNotMatch(readFileSync(path.join(folder, 'season.html'), 'utf8'), /all figures are invented/);
});
