#include "analysis/bus_health.h"

#include <assert.h>
#include <string.h>

#include "analysis/sentence.h"

/* Bits of the kernel's error frames, linux/can/error.h. Written here, so that a capture is read the
 * same on any machine. */
enum {
	CLASS_SEND_TIMEOUT = 0x001,
	CLASS_LOST_ARBITRATION = 0x002,
	CLASS_CONTROLLER = 0x004, /* data[1] */
	CLASS_PROTOCOL = 0x008,   /* data[2], place in data[3] */
	CLASS_TRANSCEIVER = 0x010,
	CLASS_NO_ACK = 0x020,
	CLASS_BUS_OFF = 0x040,
	CLASS_BUS_ERROR = 0x080,
	CLASS_RESTARTED = 0x100,
	CLASS_COUNTERS = 0x200, /* data[6] sending, data[7] receiving */
};

#define PLACE_CRC_SEQUENCE  0x08
#define PLACE_CRC_DELIMITER 0x18
#define PLACE_ACK_SLOT      0x19

struct text {
	const char *name, *text, *cause;
};

static const struct text texts[BUS_ERROR_COUNT] = {
#define BUS_ERROR_TEXT(id, error_name, error_text, error_cause)                                    \
	[BUS_ERROR_##id] = {error_name, error_text, error_cause},
	BUS_ERRORS(BUS_ERROR_TEXT)
#undef BUS_ERROR_TEXT
};

/* Which bit of which byte says what. at 0 stands for the identifier's class bits. */
struct error_bit {
	uint32_t class_bit; /* must be set … */
	uint8_t at;
	uint8_t mask;       /* … and one of these bits of data[at]; 0: the class bit is enough */
	uint8_t error;
};

static const struct error_bit error_bits[] = {
	{CLASS_SEND_TIMEOUT, 0, 0, BUS_ERROR_SEND_TIMEOUT},
	{CLASS_LOST_ARBITRATION, 0, 0, BUS_ERROR_LOST_ARBITRATION},
	{CLASS_CONTROLLER, 1, 0x01, BUS_ERROR_RECEIVE_OVERFLOW},
	{CLASS_CONTROLLER, 1, 0x02, BUS_ERROR_SEND_OVERFLOW},
	{CLASS_PROTOCOL, 2, 0x19, BUS_ERROR_BIT}, /* single, dominant or recessive bit */
	{CLASS_PROTOCOL, 2, 0x02, BUS_ERROR_FORM},
	{CLASS_PROTOCOL, 2, 0x04, BUS_ERROR_STUFF},
	{CLASS_PROTOCOL, 2, 0x20, BUS_ERROR_OVERLOAD},
	{CLASS_TRANSCEIVER, 0, 0, BUS_ERROR_TRANSCEIVER},
	{CLASS_NO_ACK, 0, 0, BUS_ERROR_NO_ACK},
};

/* data[1]: the worst bit that is set counts. */
struct condition_bit {
	uint8_t mask;
	uint8_t condition;
};

static const struct condition_bit condition_bits[] = {
	{0x30, BUS_CONDITION_PASSIVE},
	{0x0C, BUS_CONDITION_WARNING},
	{0x40, BUS_CONDITION_ACTIVE},
};

const char *bus_error_name(enum bus_error error)
{
	return texts[error].name;
}

const char *bus_error_text(enum bus_error error)
{
	return texts[error].text;
}

const char *bus_error_cause(enum bus_error error)
{
	return texts[error].cause;
}

const char *bus_condition_text(enum bus_condition condition)
{
	static const char *const names[] = {
		[BUS_CONDITION_ACTIVE] = "error-active",
		[BUS_CONDITION_WARNING] = "error-warning",
		[BUS_CONDITION_PASSIVE] = "error-passive",
		[BUS_CONDITION_OFF] = "bus-off",
	};

	return names[condition];
}

void bus_health_init(struct bus_health *health)
{
	memset(health, 0, sizeof(*health));
}

static void count(struct bus_health *health, enum bus_error error)
{
	health->counts[error]++;
	health->last_error = error;
	health->has_last_error = true;
}

static void count_errors(struct bus_health *health, const struct frame *frame)
{
	bool said = false;

	for (size_t i = 0; i < sizeof(error_bits) / sizeof(error_bits[0]); i++) {
		const struct error_bit *bit = &error_bits[i];

		if ((frame->id & bit->class_bit) != 0 &&
			(bit->mask == 0 || (frame->data[bit->at] & bit->mask) != 0)) {
			count(health, bit->error);
			said = true;
		}
	}
	if ((frame->id & CLASS_PROTOCOL) != 0) {
		uint8_t place = frame->data[3];

		if (place == PLACE_CRC_SEQUENCE || place == PLACE_CRC_DELIMITER) {
			count(health, BUS_ERROR_CRC);
			said = true;
		} else if (place == PLACE_ACK_SLOT && (frame->id & CLASS_NO_ACK) == 0) {
			count(health, BUS_ERROR_NO_ACK);
			said = true;
		}
	}
	if (!said && (frame->id & (CLASS_PROTOCOL | CLASS_BUS_ERROR)) != 0) {
		count(health, (frame->id & CLASS_PROTOCOL) != 0 ? BUS_ERROR_OTHER_PROTOCOL
								: BUS_ERROR_BUS_ERROR);
	}
}

static enum bus_condition condition_of(const struct bus_health *health, const struct frame *frame)
{
	if ((frame->id & CLASS_BUS_OFF) != 0) {
		return BUS_CONDITION_OFF;
	}
	if ((frame->id & CLASS_CONTROLLER) != 0) {
		for (size_t i = 0; i < sizeof(condition_bits) / sizeof(condition_bits[0]); i++) {
			if ((frame->data[1] & condition_bits[i].mask) != 0) {
				return condition_bits[i].condition;
			}
		}
	}
	if ((frame->id & CLASS_RESTARTED) != 0) {
		return BUS_CONDITION_ACTIVE;
	}
	return health->condition;
}

bool bus_health_accept(struct bus_health *health, const struct frame *frame)
{
	enum bus_condition before = health->condition;
	bool restarted = (frame->id & CLASS_RESTARTED) != 0;

	assert(frame->kind == FRAME_ERROR);
	health->frames++;
	health->last_ns = frame->t_ns;
	if ((frame->id & CLASS_COUNTERS) != 0) {
		health->has_counters = true;
		health->send_errors = frame->data[6];
		health->receive_errors = frame->data[7];
	}
	count_errors(health, frame);
	health->condition = condition_of(health, frame);
	health->restarts += restarted ? 1 : 0;
	return restarted || health->condition != before;
}

bool bus_health_set(struct bus_health *health, enum bus_condition condition)
{
	bool changed = health->condition != condition;

	health->condition = condition;
	return changed;
}

bool bus_health_mostly(const struct bus_health *health, enum bus_error *ret_error)
{
	size_t most = 0;

	for (size_t i = 1; i < BUS_ERROR_COUNT; i++) {
		if (health->counts[i] > health->counts[most]) {
			most = i;
		}
	}
	if (health->counts[most] == 0) {
		return false;
	}
	*ret_error = (enum bus_error)most;
	return true;
}

void bus_health_describe(const struct bus_health *health, char *text, size_t size)
{
	enum bus_error most;
	struct sentence s;

	sentence_begin(&s, text, size);
	sentence_words(&s, bus_condition_text(health->condition));
	if (!bus_health_mostly(health, &most)) {
		return;
	}
	sentence_words(&s, ", ");
	sentence_number(&s, (double)health->frames, 0);
	sentence_words(&s, health->frames == 1 ? " error frame, mostly: "
					       : " error frames, mostly: ");
	sentence_words(&s, texts[most].text);
	if (texts[most].cause[0] != '\0') {
		sentence_words(&s, " (");
		sentence_words(&s, texts[most].cause);
		sentence_words(&s, ")");
	}
}
