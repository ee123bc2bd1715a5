/* A page from elsewhere, opened in the browser that is logged in to the boat's: by no way that a browser
   has does it write into the log, nor read from it. */
import assert from 'node:assert/strict';
import {after, before, test} from 'node:test';
import {execFileSync} from 'node:child_process';
import {createServer, request as ask} from 'node:http';
import {appendFileSync} from 'node:fs';
import path from 'node:path';
import {forget, goTo, openBrowser, program, rowsOf, run, scratch, serve, until} from './boat_page.mjs';

const password = 'reed and bulrush';
const note = '{"book":[{"kind":"note","remark":"written from elsewhere"}]}';

let folder, boat, server, door, address, browser, page, elsewhere, event, untouched;
let arrived = []; /* at the boat: {method, place, status, login} */

/* All that may be written from the page, as the commands tell it. */
function written() {
	return {book: JSON.parse(run('book', 'list', '--db', boat.db, '--config', boat.config, '--json')).book,
		acknowledged: rowsOf(boat, 'events').map((row) => row.acknowledged_utc)};
}

before(async () => {
	folder = scratch();
	boat = {db: path.join(folder, 'boat.db'), config: path.join(folder, 'boat.conf')};
	/* All that goes wrong at once leaves events that nobody has acknowledged. */
	run('demo', '--folder', folder, '--hours', '3', '--rates', 'slow', '--rough');
	appendFileSync(boat.config, '\n[web]\nwrite = yes\n' + execFileSync(program, ['password'], {input: password, encoding: 'utf8'}));
	event = rowsOf(boat, 'events').find((row) => row.acknowledged_utc === null).event;
	untouched = written();
	server = await serve('page', '--db', boat.db, '--config', boat.config, '--port', '0');
	/* The boat is asked through a door that notes what comes: a browser hides what it was refused. */
	door = createServer((request, answer) => {
		const onward = ask(server.address + request.url.slice(1), {method: request.method, headers: request.headers}, (came) => {
			arrived.push({method: request.method, place: request.url, status: came.statusCode,
				login: request.headers.authorization !== undefined});
			answer.writeHead(came.statusCode, came.headers);
			came.pipe(answer);
		});
		onward.on('error', () => answer.destroy());
		answer.on('close', () => onward.destroy());
		request.pipe(onward);
	});
	elsewhere = createServer((request, answer) => {
		answer.setHeader('Content-Type', 'text/html');
		answer.end('<!doctype html><title>Elsewhere</title><p>Weather for sailors</p>');
	});
	for (const one of [door, elsewhere]) {
		await new Promise((resolve) => one.listen(0, '127.0.0.1', resolve));
	}
	address = 'http://127.0.0.1:' + door.address().port + '/';
	browser = await openBrowser(folder, {httpCredentials: {username: 'skipper', password}});
	/* Logs in; the browser sends what it knows from here on. */
	page = await browser.newPage();
	await goTo(page, address, 'events');
	await page.waitForSelector('.event button');
});

after(async () => {
	await browser?.close();
	await server?.stop();
	for (const one of [door, elsewhere]) {
		one?.closeAllConnections();
		one?.close();
	}
	forget(folder);
});

/* Goes to the page of the other server, under a name that is the same site as the boat's (by another
   port), or not. */
async function goElsewhere(name) {
	await page.goto('http://' + name + ':' + elsewhere.address().port + '/');
	arrived = [];
}

/* The statuses of what arrived for writing. */
function refusals() {
	return arrived.filter((one) => one.method === 'POST').map((one) => one.status);
}

/* In the page: tries to fetch; says what came of it. */
async function tryFetch([url, options]) {
	try {
		const answer = await fetch(url, options);
		return answer.type + ': ' + answer.status + ' ' + await answer.text();
	} catch {
		return 'refused';
	}
}

const ways = {
	'a plain fetch that asks for no leave': {mode: 'no-cors', headers: {'Content-Type': 'text/plain'}},
	'a plain fetch whose answer is to be read': {headers: {'Content-Type': 'text/plain'}},
	'a fetch of JSON': {headers: {'Content-Type': 'application/json'}},
	'a fetch with the page\'s own header': {headers: {'Content-Type': 'application/json', 'Sightbowl-Page': '1'}},
	'a fetch with that header where it may not be sent': {mode: 'no-cors', headers: {'Content-Type': 'text/plain', 'Sightbowl-Page': '1'}},
};

for (const name of ['127.0.0.1', 'localhost']) {
	for (const [way, options] of Object.entries(ways)) {
		test(way + ' from ' + name + ' writes nothing', async () => {
			await goElsewhere(name);
			for (const [place, body] of [['book', note], ['acknowledge', JSON.stringify({event})]]) {
				assert.equal(await page.evaluate(tryFetch, [address + 'api/v1/' + place,
					{method: 'POST', credentials: 'include', body, ...options}]), 'refused');
			}
			/* What needs no leave was sent, and refused by the boat; for the rest the browser got no leave. */
			assert.deepEqual(refusals(), options.headers['Content-Type'] === 'text/plain' ? [403, 403] : []);
			arrived.forEach((one) => assert.ok([403, 405].includes(one.status), one.method + ' ' + one.status));
			assert.deepEqual(written(), untouched);
		});
	}

	for (const type of ['text/plain', 'application/x-www-form-urlencoded', 'multipart/form-data']) {
		test('a form of ' + type + ' from ' + name + ' is sent with the session, and writes nothing', async () => {
			for (const [place, body] of [['book', note], ['acknowledge', JSON.stringify({event})]]) {
				await goElsewhere(name);
				/* As plain text, NAME=VALUE of one field makes whole JSON. */
				const [before, behind] = place === 'book' ? ['{"book":[{"kind":"note","remark":"', '"}]}']
					: ['{"event":' + event + ',"more":"', '"}'];
				const field = type === 'text/plain' ? [before, behind] : [body, ''];
				const gone = page.waitForURL(address + 'api/v1/' + place);
				await page.evaluate(([url, enctype, [key, value]]) => {
					const form = document.createElement('form'), input = document.createElement('input');
					form.method = 'post';
					form.action = url;
					form.enctype = enctype;
					input.name = key;
					input.value = value;
					form.append(input);
					document.body.append(form);
					form.submit();
				}, [address + 'api/v1/' + place, type, field]);
				await gone;
				assert.deepEqual(arrived.filter((one) => one.method === 'POST'),
					[{method: 'POST', place: '/api/v1/' + place, status: 403, login: true}]);
				assert.deepEqual(written(), untouched);
			}
		});
	}

	test('a beacon and a script\'s older request from ' + name + ' write nothing', async () => {
		await goElsewhere(name);
		const outcome = await page.evaluate(async ([url, body]) => {
			const sent = navigator.sendBeacon(url, new Blob([body], {type: 'text/plain'}));
			const older = await new Promise((resolve) => {
				const request = new XMLHttpRequest();
				request.open('POST', url);
				request.withCredentials = true;
				request.setRequestHeader('Sightbowl-Page', '1');
				request.onload = () => resolve('read: ' + request.responseText);
				request.onerror = () => resolve('refused');
				request.send(body);
			});
			return {sent, older};
		}, [address + 'api/v1/book', note]);
		assert.deepEqual(outcome, {sent: true, older: 'refused'});
		for (let i = 0; i < 600 && refusals().length === 0; i++) {
			await page.waitForTimeout(50);
		}
		assert.deepEqual(refusals(), [403]); /* of the beacon */
		assert.deepEqual(written(), untouched);
	});

	test('figures are not read from ' + name + ', and the page is in no frame there', async () => {
		await goElsewhere(name);
		for (const asked of ['api/v1/book', 'api/v1/trips.csv', 'metrics', '']) {
			assert.equal(await page.evaluate(tryFetch, [address + asked, {credentials: 'include'}]), 'refused', asked);
		}
		await page.evaluate((url) => {
			const frame = document.createElement('iframe');
			frame.src = url;
			document.body.append(frame);
			return new Promise((resolve) => frame.addEventListener('load', resolve));
		}, address);
		const [, frame] = page.frames();
		assert.equal(await frame.locator('#boat-name').count(), 0);
	});
}

/* So that the tests above cannot pass because nothing could be written by anyone. */
test('the same browser writes both from the boat\'s own page', async () => {
	await goTo(page, address, 'events');
	await page.click('.event button >> nth=0');
	await until(page, () => document.body.textContent.includes('Acknowledged.'));
	await goTo(page, address, 'book');
	await page.selectOption('form select', 'note');
	await page.fill('input[name="remark"]', 'written aboard');
	await page.click('form button');
	await until(page, () => [...document.querySelectorAll('td[data-column="remark"]')].some((cell) => cell.textContent === 'written aboard'));
	const now = written();
	assert.equal(now.book.length, untouched.book.length + 1);
	assert.equal(now.acknowledged.filter((time) => time !== null).length,
		untouched.acknowledged.filter((time) => time !== null).length + 1);
});
