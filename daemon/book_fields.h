/* book_fields.h: the fields of a book entry as options, as columns, and as words for people. */
#ifndef SIGHTBOWL_DAEMON_BOOK_FIELDS_H
#define SIGHTBOWL_DAEMON_BOOK_FIELDS_H

#include "analysis/service_book.h"
#include "daemon/command.h"

/* The options of all fields, for a command's own list (--engine is a shared one). */
#define BOOK_FIELD_OPTIONS                                                                         \
	{"--filter", "NAME", "which filter (switch: which one is in use, or the set for all of it)"}, \
		{"--tank", "N", "which tank"},                                                     \
		{"--item", "TEXT", "what was fitted or used: the element, the additive, the oil"}, \
		{"--micron", "SIZE", "its rating"}, {"--rated", "FLOW", "its rated flow"},         \
		{"--pieces", "N", "how many of the item were used; 0: not from the spares aboard"}, \
		{"--seals", "TEXT", "spare seals of which one was used"},                          \
		{"--litres", "VOLUME", "fuel taken aboard; additive; oil"},                        \
		{"--water", "VOLUME", "water drained off"},                                        \
		{"--looks", "TEXT", "how the water or the fuel looked"},                           \
		{"--price", "AMOUNT", "what it cost"}, {"--place", "TEXT", "where"},               \
		{"--waste-fuel", "VOLUME", "what was caught, water and all"},                      \
		{"--waste-elements", "N", "elements that became waste (a change: 1)"},             \
		{"--remark", "TEXT", "anything else"}

/* Takes the fields that the command line tells into the entry. Prints what is wrong. */
enum program_exit book_fields_take(const struct command_line *line, struct book_entry *entry);

/* The field of a column's name ("filter", "rated_lph" …). False: there is none. */
bool book_fields_find(const char *column, enum book_field *ret_field);

/* Sets a field from a file's text: numbers in the column's own unit. False: no such number, or the
 * text is too long. */
bool book_fields_set(struct book_entry *entry, enum book_field field, const char *text);

/* The option of a field. */
const char *book_fields_option(enum book_field field);

/* What the entry is about, in words: "primary", "engine 0", "tank 1"; "" for the whole boat. */
void book_fields_subject(const struct book_entry *entry, char *ret_text, size_t size);

/* What it tells, in words and in display units: "spin-on 10 µm; water 0.2 L; cloudy". */
void book_fields_summary(const struct book_entry *entry, enum unit_system units, char *ret_text,
	size_t size);

/* Writes entries as the table "book": every column, every revision as it is. */
void book_fields_table(struct table *table, const struct book_entry *entries, size_t count);

/* The same for people, who are told less at once. */
void book_fields_list(struct table *table, const struct book_entry *entries, size_t count,
	enum unit_system units, bool history);

#endif
