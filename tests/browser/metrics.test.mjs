/* /metrics, read by another project's parser of OpenMetrics text. */
import assert from 'node:assert/strict';
import {after, before, test} from 'node:test';
import {execFileSync} from 'node:child_process';
import {forget, invent, rowsOf, scratch, serve} from './boat_page.mjs';

const parse = `
import json, sys
sys.path.append('/usr/lib/python3/dist-packages')
from prometheus_client.openmetrics.parser import text_string_to_metric_families
families = {}
for family in text_string_to_metric_families(sys.stdin.read()):
    families[family.name] = {'type': family.type, 'unit': family.unit, 'samples': [
        {'name': s.name, 'labels': s.labels, 'value': s.value} for s in family.samples]}
json.dump(families, sys.stdout)
`;

let folder, boat, server;

before(async () => {
	folder = scratch();
	boat = invent(folder, 3);
	server = await serve('page', '--db', boat.db, '--config', boat.config, '--port', '0');
});

after(async () => {
	await server?.stop();
	forget(folder);
});

test('the figures for monitoring are well formed, and those of the commands', async () => {
	const answer = await fetch(server.address + 'metrics');
	assert.match(answer.headers.get('content-type'), /^application\/openmetrics-text; version=1\.0\.0/);
	const text = await answer.text();
	const families = JSON.parse(execFileSync('/usr/bin/python3', ['-c', parse], {input: text, encoding: 'utf8'}));
	const runs = rowsOf(boat, 'runs');
	const litres = families.sightbowl_fuel_litres;
	assert.equal(litres.type, 'counter');
	assert.equal(litres.unit, 'litres');
	assert.equal(litres.samples[0].name, 'sightbowl_fuel_litres_total');
	assert.deepEqual(litres.samples[0].labels, {engine: '0'});
	assert.ok(Math.abs(litres.samples[0].value - runs.reduce((sum, row) => sum + row.fuel_l, 0)) < 1e-6);
	assert.ok(Math.abs(families.sightbowl_engine_seconds.samples[0].value / 3600 -
		runs.reduce((sum, row) => sum + row.engine_h, 0)) < 1e-6);
	assert.ok(families.sightbowl_signal.samples.length > 5);
	assert.equal(families.sightbowl_events_standing.samples.length, 3);
});
