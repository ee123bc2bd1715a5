// Both ways: what our encoder writes is read by the library, and what the library writes is read by our
// decoder. Fields are matched by their place in the payload, never by name; values are compared in our
// units, converted here from the library's.
'use strict'
const { execFileSync } = require('child_process')
const { FromPgn, toPgn } = require('@canboat/canboatjs')
const { getPGNWithNumber, getBitEnumerationName } = require('@canboat/ts-pgns')

const program = process.argv[2]
const conversions = {
	'Pa>kPa': (v) => v / 1000,
	'K>°C': (v) => v - 273.15,
	'rad>deg': (v) => (v * 180) / Math.PI,
	'm/s>kn': (v) => (v * 3600) / 1852,
	's>h': (v) => v / 3600,
	's>min': (v) => v / 60,
	'm>nm': (v) => v / 1852,
}
// Where our tables and the library's differ, and why ours stands.
const known = {
	'129033:48': 'local offset: a time of day there, which cannot hold every code',
	'126996:1064': 'load equivalency: in mA here, in steps of 50 mA there',
	'126993:0': 'heartbeat interval: 1 ms here, 10 ms there; a real device sends 60000 each 60 s',
}
const failures = []
const seen = { written: {}, read: {} }
let compared = 0

function definition(pgn) {
	return (getPGNWithNumber(pgn) || [])[0]
}

function at(pgn, firstBit, bits) {
	return definition(pgn).Fields.find(
		(f) => f.BitOffset === firstBit && (bits === undefined || f.BitLength === bits))
}

function seconds(text) {
	const [h, m, s] = text.split(':').map(Number)
	return h * 3600 + m * 60 + s
}

function convert(value, field, unit) {
	if (typeof value === 'string' && /^\d+:\d\d:\d\d/.test(value)) {
		value = seconds(value)
	}
	const theirs = field.Unit || ''
	if (theirs === unit || theirs === '' || unit === '') {
		return value
	}
	const how = conversions[`${theirs}>${unit}`]
	return how ? how(value) : value
}

// The library's value of our field, undefined when it has no such field.
function theirs(pgn, fields, ours) {
	if (ours.kind === 'moment') {
		const date = fields[at(pgn, ours.first_bit, 16).Name]
		const time = fields[at(pgn, ours.first_bit + 16, 32).Name]
		if (date == null || time == null) {
			return null
		}
		return Date.parse(date.replace(/\./g, '-') + 'T00:00:00Z') / 1000 + seconds(time)
	}
	const field = at(pgn, ours.first_bit, ours.bits)
	if (!field) {
		return undefined
	}
	const value = fields[field.Name]
	if (Array.isArray(value)) {
		// Bits by name, in order; those without a name are counted only.
		const names = []
		for (let bit = 0; bit < ours.bits; bit++) {
			if (ours.value !== null && (ours.value >> bit) & 1) {
				names.push(getBitEnumerationName(field.LookupBitEnumeration, bit))
			}
		}
		return names.join() === value.join() ? ours.value : value.join()
	}
	return value == null ? null : convert(value, field, ours.unit)
}

function compare(way, pgn, fields, ours) {
	const place = `${pgn}:${ours.first_bit}`
	const value = theirs(pgn, fields, ours)
	if (known[place] || value === undefined) {
		if (!known[place]) {
			failures.push(`${way} ${place}: the library has no field of ${ours.bits} bits there`)
		}
		return
	}
	compared++
	seen[way][pgn] = true
	let agree
	if (ours.kind === 'state' && ours.value === null && value !== null) {
		agree = value >= 2 ** ours.bits - 2 // enumerations come as bare codes, special or not
	} else if (ours.kind === 'state' && value === null && ours.value !== null) {
		agree = ours.value >= 2 ** ours.bits - 3 // sets of bits have one special code here
	} else if (pgn === 60928 && value === null) {
		agree = ours.value >= 2 ** ours.bits - 3 // a name has no special codes
	} else if (value === null && (ours.plausible === false ||
		(ours.unit === 'deg' && Math.abs(ours.value) > 180))) {
		agree = true // out of range there; here implausible, or not used
	} else if (value === null || ours.value === null) {
		agree = value === ours.value
	} else if (ours.kind === 'text') {
		agree = value === ours.value
	} else {
		// The library rounds to some digits: less than half a step tells any two codes apart.
		const slack = ours.kind === 'moment' ? 1 : Math.max(1e-12 * Math.abs(value), 0.45 * ours.step)
		agree = Math.abs(value - ours.value) <= slack
	}
	if (!agree) {
		failures.push(`${way} ${place} (${ours.bits} bits): ours ${ours.value} ${ours.unit}, ` +
			`the library's ${value}`)
	}
}

function newReader() {
	const reader = new FromPgn({ useCamel: false, returnNulls: true, resolveEnums: false })
	reader.on('error', (pgn, error) => failures.push(`PGN ${pgn.pgn}: ${error.message || error}`))
	return reader
}

function checkWritten() {
	const reader = newReader()
	for (const line of execFileSync(program, ['write'], { encoding: 'utf8' }).trim().split('\n')) {
		const message = JSON.parse(line)
		let read
		for (const frame of message.lines) {
			read = reader.parseString(frame) || read
		}
		if (!read) {
			failures.push(`written ${message.pgn}: the library made no message of it`)
			continue
		}
		message.fields.forEach((f) => compare('written', message.pgn, read.fields, f))
	}
}

// A payload as frames: whole, or as a fast packet.
function framesOf(pgn, payload, sequence) {
	const id = ((3 << 26) | (pgn << 8) | 35) >>> 0
	const line = (bytes) => `${id.toString(16)} ${bytes.length} ` +
		Array.from(bytes, (b) => b.toString(16)).join(' ')
	if (definition(pgn).Type !== 'Fast') {
		return [line(payload)]
	}
	const lines = []
	const pad = (bytes) => Buffer.concat([Buffer.from(bytes), Buffer.alloc(8, 0xff)]).subarray(0, 8)
	lines.push(line(pad([sequence << 5, payload.length, ...payload.subarray(0, 6)])))
	for (let done = 6, n = 1; done < payload.length; done += 7, n++) {
		lines.push(line(pad([(sequence << 5) | n, ...payload.subarray(done, done + 7)])))
	}
	return lines
}

function randomValue(field, random) {
	if (field.FieldType === 'LOOKUP') {
		return Math.floor(random() * 2)
	}
	if (field.FieldType !== 'NUMBER' || field.BitLength > 48) {
		return undefined
	}
	const most = 2 ** (field.BitLength - (field.Signed ? 1 : 0)) - 4
	const code = Math.floor(random() * most) * (field.Signed && random() < 0.5 ? -1 : 1)
	return code * field.Resolution
}

function checkRead(pgns) {
	let state = 12345
	const random = () => {
		state = (Math.imul(state, 1664525) + 1013904223) >>> 0
		return state / 2 ** 32
	}
	const lines = []
	const sent = []
	for (const pgn of pgns) {
		for (let n = 0; n < 20; n++) {
			const fields = {}
			for (const field of definition(pgn).Fields) {
				const value = randomValue(field, random)
				if (value !== undefined && random() < 0.85) {
					fields[field.Name] = value
				}
			}
			const payload = toPgn({ pgn, prio: 3, src: 35, dst: 255, fields })
			if (!payload) {
				failures.push(`read ${pgn}: the library could not write it`)
				continue
			}
			lines.push(...framesOf(pgn, payload, n & 7))
			sent.push({ pgn, fields })
		}
	}
	const read = execFileSync(program, ['read'], { input: lines.join('\n') + '\n', encoding: 'utf8' })
		.trim().split('\n').map(JSON.parse)
	if (read.length !== sent.length) {
		failures.push(`${sent.length} messages were written by the library, ${read.length} were read`)
		return
	}
	read.forEach((message, i) => {
		message.fields.forEach((ours) => {
			const field = at(message.pgn, ours.first_bit, ours.bits)
			if (ours.kind === 'number' && field && field.Name in sent[i].fields) {
				compare('read', message.pgn, sent[i].fields, ours)
			}
		})
	})
}

// Of all PGNs from 65536 on that the library knows: does it take them for fast packets too?
function checkFast() {
	const fast = new Set(JSON.parse(execFileSync(program, ['fast'], { encoding: 'utf8' })))
	let known = 0
	for (let pgn = 65536; pgn < 131072; pgn++) {
		const found = definition(pgn)
		if (found && !found.Fallback) {
			known++
			if ((found.Type === 'Fast') !== fast.has(pgn)) {
				failures.push(`${pgn} is ${found.Type} to the library`)
			}
		}
	}
	return known
}

checkWritten()
const travelling = checkFast()
const pgns = Object.keys(seen.written).map(Number)
checkRead(pgns.filter((pgn) => pgn !== 60928))
failures.slice(0, 40).forEach((f) => console.error(f))
console.log(`${compared} values of ${pgns.length} messages compared, ${failures.length} differ; ` +
	`${Object.keys(seen.read).length} of them also the other way round; ` +
	`${travelling} PGNs compared for how they travel`)
process.exit(failures.length === 0 && pgns.length >= 24 && compared > 5000 && travelling > 100 ? 0 : 1)
