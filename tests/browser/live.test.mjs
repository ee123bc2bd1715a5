/* The season playing on the page: live values move, the log grows, and at its end there is a report. */
import assert from 'node:assert/strict';
import {after, before, test} from 'node:test';
import {existsSync} from 'node:fs';
import path from 'node:path';
import {desktop, forget, goTo, openBrowser, openPage, scratch, serve} from './boat_page.mjs';

let folder, server, browser;

before(async () => {
	folder = scratch();
	server = await serve('demo', '--serve', '--folder', folder, '--hours', '2', '--speed', '600', '--port', '0');
	browser = await openBrowser(folder);
});

after(async () => {
	await browser?.close();
	await server?.stop();
	forget(folder);
});

test('live values move, and the log behind them grows', async () => {
	const {page, complaints} = await openPage(browser, server.address, desktop);
	await goTo(page, server.address, 'now');
	await page.waitForSelector('#live [data-live^="fuel_rate_lph"]', {timeout: 60000});
	const seen = new Set();
	for (let i = 0; i < 12; i++) {
		seen.add(await page.textContent('#live [data-live="ground_speed_kn:0"] .big').catch(() => ''));
		await page.waitForTimeout(500);
	}
	assert.ok(seen.size >= 3, 'values seen: ' + [...seen].join(', '));
	const asOf = async () => (await (await fetch(server.address + 'api/v1/overview')).json()).boat[0].as_of_utc;
	const first = await asOf();
	await page.waitForTimeout(5000);
	assert.ok(await asOf() > first);
	assert.deepEqual(complaints, []);
	await page.close();
});

test('at its end there is a report', async () => {
	for (let i = 0; i < 240 && !server.said().includes('season is over'); i++) {
		await new Promise((resolve) => setTimeout(resolve, 500));
	}
	assert.match(server.said(), /its report is .*report\.html/);
	assert.ok(existsSync(path.join(folder, 'report.html')));
});
