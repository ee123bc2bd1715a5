/* What the browser tests share: a season, the program's own word on it, the page, and a browser that
   notes whatever it should not see. */
import {execFileSync, spawn} from 'node:child_process';
import {mkdtempSync, mkdirSync, readFileSync, rmSync, writeFileSync} from 'node:fs';
import {createRequire} from 'node:module';
import path from 'node:path';

const own = createRequire(path.join(process.env.BROWSER_FOLDER, 'package.json'));
const {chromium} = own('playwright-core');
export const axeSource = readFileSync(own.resolve('axe-core/axe.min.js'), 'utf8');
export const program = process.env.SIGHTBOWL;

/* A demo's season in folder, and its boat's configuration with writing allowed from the page. */
export function invent(folder, hours) {
	run('demo', '--folder', folder, '--hours', String(hours));
	const config = path.join(folder, 'page.conf');
	writeFileSync(config, readFileSync(path.join(folder, 'boat.conf'), 'utf8') + '\n[web]\nwrite = yes\n');
	return {db: path.join(folder, 'boat.db'), config};
}

export function scratch() {
	mkdirSync(process.env.BROWSER_FOLDER, {recursive: true});
	return mkdtempSync(path.join(process.env.BROWSER_FOLDER, 'scratch-'));
}

export function forget(folder) {
	rmSync(folder, {recursive: true, force: true});
}

/* Runs the program; returns what it printed. */
export function run(...words) {
	return execFileSync(program, words, {encoding: 'utf8', maxBuffer: 1 << 26});
}

export function rowsOf(boat, name, ...words) {
	return JSON.parse(run(name, '--db', boat.db, '--config', boat.config, '--json', ...words))[name];
}

/* Starts a command that serves the page and prints its address. */
export async function serve(...words) {
	const child = spawn(program, words, {stdio: ['ignore', 'pipe', 'inherit']});
	let said = '';
	const address = await new Promise((resolve, reject) => {
		child.stdout.on('data', (data) => {
			said += data;
			const found = said.match(/http:\/\/\S+\//);
			if (found) {
				resolve(found[0]);
			}
		});
		child.on('exit', (code) => reject(new Error('it ended with ' + code + ': ' + said)));
	});
	return {
		address,
		said: () => said,
		stop: () => new Promise((resolve) => {
			child.removeAllListeners('exit');
			child.on('exit', (code) => resolve(code));
			child.kill('SIGTERM');
		}),
	};
}

export const phone = {width: 360, height: 740};
export const desktop = {width: 1280, height: 800};

/* more: further settings of the browser, as httpCredentials. */
export async function openBrowser(folder, more = {}) {
	return chromium.launchPersistentContext(mkdtempSync(path.join(folder, 'profile-')), {
		...more,
		executablePath: '/usr/bin/chromium',
		headless: true,
		timezoneId: 'UTC',
		args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking',
			'--disable-component-update', '--disable-sync'],
	});
}

/* A page of the browser whose complaints are gathered: console errors, uncaught errors, requests that
   leave origin, requests that fail. */
export async function openPage(browser, origin, size) {
	const page = await browser.newPage();
	const complaints = [];
	if (size) {
		await page.setViewportSize(size);
	}
	page.on('console', (message) => {
		if (['error', 'warning'].includes(message.type())) {
			complaints.push('console: ' + message.text());
		}
	});
	page.on('pageerror', (error) => complaints.push('uncaught: ' + error.message));
	page.on('request', (request) => {
		if (!request.url().startsWith(origin)) {
			complaints.push('left the page: ' + request.url());
		}
	});
	page.on('response', (response) => {
		if (response.status() >= 400) {
			complaints.push(response.status() + ' ' + response.url());
		}
	});
	return {page, complaints};
}

/* Waits until the page says yes; the page's own policy forbids the browser driver's way of doing so. */
export async function until(page, asked, argument) {
	for (let i = 0; i < 600; i++) {
		if (await page.evaluate(asked, argument)) {
			return;
		}
		await page.waitForTimeout(50);
	}
	throw new Error('waited in vain for ' + asked);
}

/* Goes to a view and waits until it is filled. */
export async function goTo(page, address, view) {
	await page.goto(address + '#' + view);
	await page.waitForSelector('main[data-view="' + view.split('/')[0] + '"]');
	await until(page, () => [...document.querySelectorAll('.chart-box')].every((box) =>
		box.querySelector('p.quiet').textContent !== ''));
	await page.waitForTimeout(250);
}

export async function keepShot(page, name) {
	if (process.env.SIGHTBOWL_SHOTS) {
		mkdirSync(process.env.SIGHTBOWL_SHOTS, {recursive: true});
		await page.screenshot({path: path.join(process.env.SIGHTBOWL_SHOTS, name + '.png'), fullPage: true});
	}
}

export const views = ['now', 'trips', 'trips/2', 'filters', 'burn', 'tank', 'temperatures', 'events', 'book', 'bus'];
