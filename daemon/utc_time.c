#include "daemon/utc_time.h"

#define S_PER_DAY INT64_C(86400)

static int64_t floor_divide(int64_t a, int64_t b)
{
	return a / b - (a % b < 0 ? 1 : 0);
}

/* Days since 1970-01-01 of a date of the Gregorian calendar; the year starts in March, so that the
 * leap day is its last. */
static int64_t days_from_date(int64_t year, int64_t month, int64_t day)
{
	int64_t y = month <= 2 ? year - 1 : year;
	int64_t era = floor_divide(y, 400);
	int64_t year_of_era = y - era * 400;
	int64_t day_of_year = (153 * (month + (month > 2 ? -3 : 9)) + 2) / 5 + day - 1;

	return era * 146097 + year_of_era * 365 + year_of_era / 4 - year_of_era / 100 +
		day_of_year - 719468;
}

static char *put_digits(char *at, int64_t value, int count, char behind)
{
	for (int i = count; i-- > 0; value /= 10) {
		at[i] = (char)('0' + value % 10);
	}
	at[count] = behind;
	return at + count + 1;
}

void utc_format(int64_t utc_ns, char ret_text[UTC_TEXT_MAX])
{
	int64_t seconds = floor_divide(utc_ns, NS_PER_S);
	int64_t days = floor_divide(seconds, S_PER_DAY);
	int64_t second = seconds - days * S_PER_DAY;
	int64_t z = days + 719468;
	int64_t era = floor_divide(z, 146097);
	int64_t day_of_era = z - era * 146097;
	int64_t year_of_era = (day_of_era - day_of_era / 1460 + day_of_era / 36524 -
		day_of_era / 146096) / 365;
	int64_t day_of_year = day_of_era - (365 * year_of_era + year_of_era / 4 -
		year_of_era / 100);
	int64_t shifted = (5 * day_of_year + 2) / 153;
	int64_t month = shifted < 10 ? shifted + 3 : shifted - 9;
	int64_t year = year_of_era + era * 400 + (month <= 2 ? 1 : 0);

	char *at = ret_text;
	at = put_digits(at, year, 4, '-'); /* 1677 to 2262: all that int64_t ns can hold */
	at = put_digits(at, month, 2, '-');
	at = put_digits(at, day_of_year - (153 * shifted + 2) / 5 + 1, 2, 'T');
	at = put_digits(at, second / 3600, 2, ':');
	at = put_digits(at, second / 60 % 60, 2, ':');
	at = put_digits(at, second % 60, 2, 'Z');
	*at = '\0';
}

/* Takes exactly count digits. */
static bool take_digits(const char **at, int count, int64_t *ret_value)
{
	int64_t value = 0;

	for (int i = 0; i < count; i++) {
		if ((*at)[i] < '0' || (*at)[i] > '9') {
			return false;
		}
		value = value * 10 + ((*at)[i] - '0');
	}
	*at += count;
	*ret_value = value;
	return true;
}

static bool take(const char **at, char wanted)
{
	if (**at != wanted) {
		return false;
	}
	(*at)++;
	return true;
}

static int64_t days_of_month(int64_t year, int64_t month)
{
	static const int8_t days[] = {31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31};
	bool leap = (year % 4 == 0 && year % 100 != 0) || year % 400 == 0;

	return month == 2 && leap ? 29 : days[month - 1];
}

bool utc_parse(const char *text, int64_t *ret_utc_ns)
{
	const char *at = text;
	int64_t year, month, day, hour = 0, minute = 0, second = 0, fraction_ns = 0, zone_s = 0;

	if (!take_digits(&at, 4, &year) || !take(&at, '-') || !take_digits(&at, 2, &month) ||
		!take(&at, '-') || !take_digits(&at, 2, &day)) {
		return false;
	}
	if (*at != '\0') {
		if (!(take(&at, 'T') || take(&at, ' ')) || !take_digits(&at, 2, &hour) ||
			!take(&at, ':') || !take_digits(&at, 2, &minute)) {
			return false;
		}
		if (take(&at, ':')) {
			if (!take_digits(&at, 2, &second)) {
				return false;
			}
			if (take(&at, '.')) {
				int64_t digit, unit = NS_PER_S;
				if (*at < '0' || *at > '9') {
					return false;
				}
				while (take_digits(&at, 1, &digit)) {
					unit /= 10;
					fraction_ns += digit * unit;
				}
			}
		}
		if (*at == '+' || *at == '-') {
			int64_t sign = *at++ == '-' ? -1 : 1, zone_hour, zone_minute;
			if (!take_digits(&at, 2, &zone_hour) || !take(&at, ':') ||
				!take_digits(&at, 2, &zone_minute) || zone_hour > 15 ||
				zone_minute > 59) {
				return false;
			}
			zone_s = sign * (zone_hour * 3600 + zone_minute * 60);
		} else {
			(void)take(&at, 'Z');
		}
	}
	if (*at != '\0' || year < 1970 || year > 2261 || month < 1 || month > 12 || day < 1 ||
		day > days_of_month(year, month) || hour > 23 || minute > 59 || second > 59) {
		return false;
	}
	*ret_utc_ns = (days_from_date(year, month, day) * S_PER_DAY + hour * 3600 + minute * 60 +
			      second - zone_s) * NS_PER_S + fraction_ns;
	return true;
}
