/* Reads a feed with libical and expands it over [from, to): the reference for the cost of a poll.
 * Build: cc -O2 -o libical_poll libical_poll.c -lical
 * usage: libical_poll FEED FROM TO   (UTC, 20261020T000000Z)
 * Rules skip ahead (icalrecur_iterator_set_start); overrides are not joined to their masters, the feed has none. */
#include <libical/ical.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <sys/resource.h>
#include <time.h>

static double now(void)
{
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return t.tv_sec + t.tv_nsec / 1e9;
}

static char *slurp(const char *path)
{
	FILE *f = fopen(path, "rb");
	if (!f) {
		perror(path);
		exit(2);
	}
	fseek(f, 0, SEEK_END);
	long n = ftell(f);
	rewind(f);
	char *b = malloc(n + 1);
	if (!b || fread(b, 1, n, f) != (size_t)n)
		exit(2);
	b[n] = 0;
	fclose(f);
	return b;
}

int main(int argc, char **argv)
{
	if (argc != 4)
		return 2;
	char *text = slurp(argv[1]);
	double begin = now();
	icalcomponent *cal = icalparser_parse_string(text);
	if (!cal)
		return 1;
	double parsed = now();
	icaltimezone *utc = icaltimezone_get_utc_timezone();
	time_t from = icaltime_as_timet_with_zone(icaltime_from_string(argv[2]), utc);
	time_t to = icaltime_as_timet_with_zone(icaltime_from_string(argv[3]), utc);
	long found = 0;
	for (icalcomponent *e = icalcomponent_get_first_component(cal, ICAL_VEVENT_COMPONENT); e;
	     e = icalcomponent_get_next_component(cal, ICAL_VEVENT_COMPONENT)) {
		struct icaltimetype start = icalcomponent_get_dtstart(e), end = icalcomponent_get_dtend(e);
		time_t length = icaltime_as_timet_with_zone(end, end.zone) - icaltime_as_timet_with_zone(start, start.zone);
		icalproperty *p = icalcomponent_get_first_property(e, ICAL_RRULE_PROPERTY);
		if (!p) {
			time_t s = icaltime_as_timet_with_zone(start, start.zone);
			found += s < to && s + length > from;
			continue;
		}
		icalrecur_iterator *it = icalrecur_iterator_new(icalproperty_get_rrule(p), start);
		if (!it)
			continue;
		struct icaltimetype near = icaltime_from_timet_with_zone(from - length - 86400, 0, start.zone);
		near.zone = start.zone;
		if (icaltime_compare(near, start) > 0)
			icalrecur_iterator_set_start(it, near);
		for (struct icaltimetype t = icalrecur_iterator_next(it); !icaltime_is_null_time(t); t = icalrecur_iterator_next(it)) {
			time_t s = icaltime_as_timet_with_zone(t, start.zone);
			if (s >= to)
				break;
			found += s + length > from;
		}
		icalrecur_iterator_free(it);
	}
	double done = now();
	struct rusage u;
	getrusage(RUSAGE_SELF, &u);
	printf("libical: %ld occurrences, parse %.3f s, expand %.3f s, whole %.3f s, %ld MB\n", found, parsed - begin, done - parsed, done - begin, u.ru_maxrss / 1024);
	return 0;
}
