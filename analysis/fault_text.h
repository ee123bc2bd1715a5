/* fault_text.h: what a trouble code of SAE J1939 means, in plain words.
 *
 * SPN: what is wrong; FMI: how. The texts are our own, after the public lists and from memory; the
 * standard itself (J1939-71, -73) was not read. A code that is not here is told by its numbers.
 */
#ifndef SIGHTBOWL_ANALYSIS_FAULT_TEXT_H
#define SIGHTBOWL_ANALYSIS_FAULT_TEXT_H

#include <stddef.h>
#include <stdint.h>

#include "analysis/facts.h"

#define FAULT_LAMPS_UNKNOWN 0xFF /* no message told of them */

/* What an SPN measures or moves; NULL when it is not in the list. Static. */
const char *fault_text_spn(uint32_t spn);

/* How it is wrong, 0 to 31; reserved ones say so. Static. */
const char *fault_text_fmi(unsigned fmi);

/* Writes "Fuel delivery pressure: far too low (SPN 94, FMI 1)." cut to size; always ended when size > 0.
 * conversion: the sender's SPN conversion method; 1 is one of three older layouts, which one it does not
 * say, so the SPN is given without words. Returns the length without the cut. */
size_t fault_text_describe(
	uint32_t spn, unsigned fmi, unsigned conversion, char *text, size_t size);

/* How bad: by the lamps of DM1's first byte (red stop, then amber, protect, MIL; a lamp that is off or
 * not told says nothing), else by the FMI. */
enum event_severity fault_text_severity(uint8_t lamps, unsigned fmi);

/* What to do first, by the kind of fault: look at the thing itself, or at its sensor and wiring. Static. */
const char *fault_text_next_step(unsigned fmi);

#endif
