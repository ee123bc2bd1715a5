#include "analysis/fault_text.h"

#include <string.h>

struct spn_text {
	uint32_t spn;
	const char *text;
};

/* By rising number. Names after public tables of J1939 parameters (the sources of the message
 * catalogue) for those that the decoder knows; the others from memory. */
static const struct spn_text spn_texts[] = {
	{22, "crankcase blow-by pressure"},
	{27, "exhaust gas recirculation valve position"},
	{38, "fuel level, second tank"},
	{51, "throttle position"},
	{52, "intercooler temperature"},
	{81, "particulate filter intake pressure"},
	{84, "vehicle speed"},
	{91, "accelerator or throttle lever position"},
	{92, "engine load at this speed"},
	{94, "fuel delivery pressure"},
	{95, "fuel filter differential pressure"},
	{96, "fuel level"},
	{97, "water in fuel"},
	{98, "engine oil level"},
	{99, "oil filter differential pressure"},
	{100, "engine oil pressure"},
	{101, "crankcase pressure"},
	{102, "boost pressure"},
	{103, "turbocharger speed"},
	{105, "intake manifold temperature"},
	{106, "air inlet pressure"},
	{107, "air filter differential pressure"},
	{108, "barometric pressure"},
	{109, "coolant pressure"},
	{110, "coolant temperature"},
	{111, "coolant level"},
	{112, "coolant filter differential pressure"},
	{114, "net battery current"},
	{115, "alternator current"},
	{156, "injector timing rail pressure"},
	{157, "fuel rail pressure"},
	{158, "battery voltage, switched"},
	{164, "injection control pressure"},
	{167, "alternator voltage"},
	{168, "battery voltage"},
	{171, "ambient air temperature"},
	{172, "air inlet temperature"},
	{173, "exhaust gas temperature"},
	{174, "fuel temperature"},
	{175, "engine oil temperature"},
	{176, "turbocharger oil temperature"},
	{177, "gear oil temperature"},
	{182, "trip fuel"},
	{183, "fuel rate"},
	{190, "engine speed"},
	{235, "idle hours"},
	{236, "idle fuel"},
	{247, "engine hours"},
	{250, "total fuel used"},
	{411, "exhaust gas recirculation differential pressure"},
	{412, "exhaust gas recirculation temperature"},
	{441, "auxiliary temperature 1"},
	{442, "auxiliary temperature 2"},
	{512, "demanded torque"},
	{513, "actual torque"},
	{558, "idle switch of the throttle lever"},
	{609, "second controller"},
	{620, "sensor supply of 5 V"},
	{626, "start enable device, intake heater"},
	{627, "controller's power supply"},
	{628, "controller's program memory"},
	{629, "controller"},
	{630, "controller's calibration memory"},
	{636, "engine position or speed sensor"},
	{639, "data bus of the engine"},
	{647, "fan clutch"},
	{651, "injector of cylinder 1"},
	{652, "injector of cylinder 2"},
	{653, "injector of cylinder 3"},
	{654, "injector of cylinder 4"},
	{655, "injector of cylinder 5"},
	{656, "injector of cylinder 6"},
	{657, "injector of cylinder 7"},
	{658, "injector of cylinder 8"},
	{677, "starter relay"},
	{723, "second speed sensor (camshaft)"},
	{729, "intake air heater"},
	{931, "fuel supply pump"},
	{974, "remote throttle lever position"},
	{1075, "electric lift pump"},
	{1076, "injection pump control valve"},
	{1077, "injection pump controller"},
	{1078, "injection pump speed and position"},
	{1079, "sensor supply of 5 V, first"},
	{1080, "sensor supply of 5 V, second"},
	{1109, "engine protection: shutting down"},
	{1110, "engine protection: shut down"},
	{1136, "controller's temperature"},
	{1172, "turbocharger inlet temperature"},
	{1188, "turbocharger wastegate"},
	{1239, "fuel leak, first"},
	{1240, "fuel leak, second"},
	{1347, "fuel pump pressurising valve, first"},
	{1348, "fuel pump pressurising valve, second"},
	{1349, "second fuel rail pressure"},
	{1380, "remote oil level"},
	{1381, "fuel supply pump intake pressure"},
	{1382, "suction-side fuel filter differential pressure"},
	{1485, "controller's main relay"},
	{1569, "engine protection: torque reduced"},
	{1675, "starter"},
	{2791, "exhaust gas recirculation valve"},
	{2797, "injectors, first group"},
	{2798, "injectors, second group"},
	{3055, "fuel system"},
	{3509, "sensor supply 1"},
	{3510, "sensor supply 2"},
	{3511, "sensor supply 3"},
	{4154, "actual torque, fraction"},
	{5357, "injected fuel quantity"},
	{5571, "fuel rail pressure relief valve"},
};

static const char *const fmi_texts[32] = {
	[0] = "far too high",
	[1] = "far too low",
	[2] = "erratic, intermittent or wrong data",
	[3] = "voltage too high, or shorted to supply",
	[4] = "voltage too low, or shorted to ground",
	[5] = "current too low, or circuit open",
	[6] = "current too high, or shorted to ground",
	[7] = "mechanics do not answer, or out of adjustment",
	[8] = "frequency or pulse width not normal",
	[9] = "data come too rarely",
	[10] = "changes too fast to be true",
	[11] = "root cause not known",
	[12] = "device or component bad",
	[13] = "out of calibration",
	[14] = "see the engine maker's instructions for this code",
	[15] = "somewhat too high",
	[16] = "too high",
	[17] = "somewhat too low",
	[18] = "too low",
	[19] = "data from the network in error",
	[20] = "drifted high",
	[21] = "drifted low",
	[22] = "reserved failure mode",
	[23] = "reserved failure mode",
	[24] = "reserved failure mode",
	[25] = "reserved failure mode",
	[26] = "reserved failure mode",
	[27] = "reserved failure mode",
	[28] = "reserved failure mode",
	[29] = "reserved failure mode",
	[30] = "reserved failure mode",
	[31] = "the condition exists",
};

const char *fault_text_spn(uint32_t spn)
{
	size_t low = 0;
	size_t high = sizeof(spn_texts) / sizeof(spn_texts[0]);

	while (low < high) {
		size_t middle = (low + high) / 2;
		if (spn_texts[middle].spn == spn) {
			return spn_texts[middle].text;
		}
		if (spn_texts[middle].spn < spn) {
			low = middle + 1;
		} else {
			high = middle;
		}
	}
	return NULL;
}

const char *fault_text_fmi(unsigned fmi)
{
	return fmi < 32 ? fmi_texts[fmi] : "no such failure mode";
}

struct line {
	char *text;
	size_t size;
	size_t length; /* wanted so far, also beyond size */
};

static void append(struct line *line, const char *text)
{
	for (; *text != '\0'; text++, line->length++) {
		if (line->length + 1 < line->size) {
			line->text[line->length] = *text;
		}
	}
}

static void append_number(struct line *line, uint32_t number)
{
	char digits[11];
	size_t at = sizeof(digits) - 1;

	digits[at] = '\0';
	do {
		digits[--at] = (char)('0' + number % 10);
		number /= 10;
	} while (number > 0);
	append(line, digits + at);
}

size_t fault_text_describe(
	uint32_t spn, unsigned fmi, unsigned conversion, char *text, size_t size)
{
	struct line line = {.text = text, .size = size};
	const char *what = conversion == 0 ? fault_text_spn(spn)
					   : "trouble code in an older layout";

	if (what != NULL) {
		append(&line, what);
		if (size > 1 && text[0] >= 'a' && text[0] <= 'z') {
			text[0] = (char)(text[0] - 'a' + 'A');
		}
	} else {
		append(&line, "Fault of the engine");
	}
	append(&line, ": ");
	append(&line, fault_text_fmi(fmi));
	append(&line, " (SPN ");
	append_number(&line, spn);
	append(&line, conversion == 0 ? ", FMI " : " if it were today's, FMI ");
	append_number(&line, fmi);
	append(&line, ").");
	if (size > 0) {
		text[line.length < size ? line.length : size - 1] = '\0';
	}
	return line.length;
}

enum event_severity fault_text_severity(uint8_t lamps, unsigned fmi)
{
	/* Two bits a lamp, 01 is on: MIL 8-7, red stop 6-5, amber warning 4-3, protect 2-1. */
	if ((lamps >> 4 & 3) == 1) {
		return SEVERITY_WARNING;
	}
	if ((lamps >> 2 & 3) == 1 || (lamps & 3) == 1 || (lamps >> 6 & 3) == 1) {
		return SEVERITY_CAUTION;
	}
	switch (fmi) {
	case 0:
	case 1:
		return SEVERITY_WARNING;
	case 15:
	case 17:
		return SEVERITY_ADVICE;
	default:
		return SEVERITY_CAUTION;
	}
}

const char *fault_text_next_step(unsigned fmi)
{
	switch (fmi) {
	case 0:
	case 1:
		return "Ease the engine and read its own gauges; stop it as soon as it is safe if "
		       "they agree.";
	case 15:
	case 16:
	case 17:
	case 18:
		return "Read the engine's own gauges and look for the cause before it grows.";
	case 2:
	case 3:
	case 4:
	case 5:
	case 6:
	case 8:
	case 9:
	case 10:
	case 19:
	case 20:
	case 21:
		return "Look at the sensor, its plug and its wiring first: wet, corroded, chafed "
		       "or loose.";
	case 7:
		return "Look for what sticks, is worn or is out of adjustment.";
	default:
		return "Look the code up: it alone does not say where to look.";
	}
}
