/* Writes docs/messages.md from the message tables: message_catalogue > docs/messages.md */
#include <stdio.h>
#include <string.h>

#include "decoders/decoder.h"

static void print_intro(void)
{
	fputs("# Messages\n\n"
	      "<!-- Written by tests/golden/message_catalogue from the tables in decoders/: "
	      "change\n"
	      "     those, then run it again. A test fails while this page differs. -->\n\n"
	      "What Sightbowl reads from the bus, and what it makes of each field. Every message "
	      "of\n"
	      "both families is read on every bus, unless the configuration limits a bus to one.\n"
	      "No original of a standard was read for these tables; each message names the public\n"
	      "evidence that its layout rests on, and says where it rests on memory alone.\n\n"
	      "## How to read this page\n\n"
	      "* **Bytes** are numbered from 0, bits from 0 within their byte; fields of several "
	      "bytes\n"
	      "  are little-endian. SAE J1939 numbers bytes from 1 in its own tables.\n"
	      "* **Value** is code × step + offset, in the unit of the signal that it feeds, or in "
	      "the\n"
	      "  unit given for a field that feeds none.\n"
	      "* **Signal** is the name that the log and the analysis use; a dash means that the "
	      "field\n"
	      "  is known but not used.\n"
	      "* A field that does not lie wholly inside a short message is absent: neither a "
	      "value nor\n"
	      "  a state.\n\n"
	      "## Codes that are no numbers\n\n"
	      "| width | not available | error | reserved |\n"
	      "| --- | --- | --- | --- |\n"
	      "| NMEA 2000, unsigned | all bits set | one below | two below, from 8 bits on |\n"
	      "| NMEA 2000, signed | greatest positive code | one below | two below, from 8 bits "
	      "on |\n"
	      "| NMEA 2000, less than 3 bits of magnitude | as above | none | |\n"
	      "| J1939, 8 to 32 bits: the most significant byte is | FF | FE | FB, FC, FD |\n"
	      "| J1939, 2 to 7 bits | all bits set | one below | |\n"
	      "| sets of bits | all bits set | none | |\n\n"
	      "A number outside what its signal can be is *implausible*: a state of its own, "
	      "counted,\n"
	      "and never used as a number. Known senders make such numbers, a fuel rate of FFFF "
	      "on\n"
	      "NMEA 2000 for one, which is −0.1 L/h.\n\n",
		stdout);
}

static void print_counters(void)
{
	fputs("## What is counted\n\n| counter | what it counts |\n| --- | --- |\n", stdout);
	for (unsigned i = 0; i < DECODER_COUNTER_COUNT; i++) {
		printf("| `%s` | %s |\n", decoder_counter_name((enum decoder_counter)i),
			decoder_counter_text((enum decoder_counter)i));
	}
	fputs("\n", stdout);
}

static void print_index(void)
{
	fputs("## All messages\n\n| PGN | hex | message | length | travels by |\n"
	      "| --- | --- | --- | --- | --- |\n",
		stdout);
	for (size_t i = 0; i < message_row_count(); i++) {
		const struct message_row *row = message_row_get(i);
		char length[16] = "varies";

		if (row->length > 0) {
			snprintf(length, sizeof(length), "%u", row->length);
		}
		printf("| [%u](#pgn-%u) | %04X | %s%s%s%s | %s | %s |\n", (unsigned)row->pgn,
			(unsigned)row->pgn, (unsigned)row->pgn, row->name,
			row->abbreviation[0] != '\0' ? " (" : "", row->abbreviation,
			row->abbreviation[0] != '\0' ? ")" : "", length,
			row->travels == TRAVELS_FAST ? "fast packet"
			: row->length == 0	     ? "one frame, or transport"
						     : "one frame");
	}
	fputs("\n", stdout);
}

static const char *instance_words(const struct message_row *row, char *out, size_t size)
{
	switch (row->instance_rule) {
	case INSTANCE_BYTE:
		snprintf(out, size, "byte %u", row->instance_byte);
		break;
	case INSTANCE_SOURCE:
		snprintf(out, size, "engine 1 from source address 1, else engine 0");
		break;
	case INSTANCE_SOURCE_KIND:
		snprintf(out, size, "byte %u × 256 + byte %u", row->instance_byte + 1U,
			row->instance_byte);
		break;
	case INSTANCE_KIND:
		snprintf(out, size, "bits 0-5 of byte %u × 256", row->instance_byte);
		break;
	default:
		snprintf(out, size, "none");
		break;
	}
	return out;
}

static void print_place(const struct field_row *field)
{
	unsigned first = field->first_bit / 8U;
	unsigned last = (field->first_bit + field->bits - 1U) / 8U;

	if (field->first_bit % 8 == 0 && field->bits % 8 == 0) {
		if (first == last) {
			printf("| %u ", first);
		} else {
			printf("| %u-%u ", first, last);
		}
		return;
	}
	printf("| %u bit%s %u", first, field->bits > 1 ? "s" : "", field->first_bit % 8U);
	if (field->bits > 1) {
		if (first == last) {
			printf("-%u", (field->first_bit + field->bits - 1U) % 8U);
		} else {
			printf(" to %u bit %u", last, (field->first_bit + field->bits - 1U) % 8U);
		}
	}
	fputs(" ", stdout);
}

static void print_value(const struct field_row *field)
{
	static const char *const kinds[] = {
		[FIELD_UNSIGNED] = "",
		[FIELD_SIGNED] = "signed ",
		[FIELD_STATE] = "state",
		[FIELD_BITS] = "set of bits",
		[FIELD_TEXT] = "text",
		[FIELD_OWN] = "see note",
	};

	printf("| %s", kinds[field->kind]);
	if (field->kind == FIELD_UNSIGNED || field->kind == FIELD_SIGNED) {
		double scale = field->scale > 0 ? field->scale : 1;
		const char *unit = field->feeds ? signal_get((enum signal_id)field->signal)->unit
				   : field->unit != NULL ? field->unit
							 : "";

		printf("× %.8g", scale);
		if (field->offset < 0 || field->offset > 0) {
			printf(" − %.8g", -field->offset);
		}
		printf("%s%s", unit[0] != '\0' ? " " : "", unit);
	}
	fputs(" ", stdout);
}

static void print_message(const struct message_row *row)
{
	char instance[64];
	bool has_spn = row->family == FAMILY_J1939;

	printf("### PGN %u\n\n**%s**%s%s%s, ", (unsigned)row->pgn, row->name,
		row->abbreviation[0] != '\0' ? " (" : "", row->abbreviation,
		row->abbreviation[0] != '\0' ? ")" : "");
	printf("%s. Instance: %s. Source: %s.\n\n",
		row->family == FAMILY_NMEA2000 ? "NMEA 2000"
		: row->family == FAMILY_J1939  ? "J1939"
					       : "both families",
		instance_words(row, instance, sizeof(instance)), row->source);
	printf("| bytes | field |%s value | signal | note |\n| --- | --- |%s --- | --- | --- |\n",
		has_spn ? " SPN |" : "", has_spn ? " --- |" : "");
	for (size_t i = 0; i < row->field_count; i++) {
		const struct field_row *field = &row->fields[i];

		print_place(field);
		printf("| %s ", field->name);
		if (has_spn) {
			if (field->spn != 0) {
				printf("| %u ", field->spn);
			} else {
				fputs("| ", stdout);
			}
		}
		print_value(field);
		if (field->feeds) {
			printf("| `%s` ", signal_get((enum signal_id)field->signal)->name);
		} else {
			fputs("| – ", stdout);
		}
		printf("| %s |\n", field->note != NULL ? field->note : "");
	}
	fputs("\n", stdout);
}

static void print_signals(void)
{
	static const char *const scopes[] = {
		[SCOPE_ENGINE] = "engine",
		[SCOPE_TANK] = "tank: fluid × 16 + number",
		[SCOPE_BATTERY] = "battery",
		[SCOPE_PRESSURE] = "sensor: source × 256 + number",
		[SCOPE_TEMPERATURE] = "sensor: source × 256 + number",
		[SCOPE_VESSEL] = "the boat",
	};

	fputs("## Signals and the messages that bring them\n\n"
	      "| signal | unit | instance | plausible | from PGN |\n| --- | --- | --- | --- | --- "
	      "|\n",
		stdout);
	for (unsigned id = 0; id < SIGNAL_COUNT; id++) {
		const struct signal *signal = signal_get((enum signal_id)id);
		const char *comma = "";

		printf("| `%s` | %s | %s | %.12g to %.12g | ", signal->name, signal->unit,
			scopes[signal->scope], signal->low, signal->high);
		for (size_t i = 0; i < message_row_count(); i++) {
			const struct message_row *row = message_row_get(i);
			bool feeds = false;

			for (size_t f = 0; f < row->field_count; f++) {
				feeds = feeds ||
					(row->fields[f].feeds && row->fields[f].signal == id);
			}
			if (feeds) {
				printf("%s[%u](#pgn-%u)", comma, (unsigned)row->pgn,
					(unsigned)row->pgn);
				comma = ", ";
			}
		}
		fputs(" |\n", stdout);
	}
}

int main(void)
{
	print_intro();
	print_counters();
	print_index();
	for (size_t i = 0; i < message_row_count(); i++) {
		print_message(message_row_get(i));
	}
	print_signals();
	return ferror(stdout) != 0 || fflush(stdout) != 0;
}
