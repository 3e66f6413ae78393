/* Expands rules.tsv (standard input) with libical: id and the first twelve instances before 2100, tab-separated.
 * Build: cc -O2 -o with_libical with_libical.c -lical */
#include <libical/ical.h>
#include <stdio.h>
#include <string.h>

int main(void)
{
	char line[4096];

	while (fgets(line, sizeof line, stdin)) {
		char *name = strtok(line, "\t"), *start = strtok(NULL, "\t"), *rule = strtok(NULL, "\n");
		if (!name || !start || !rule)
			return 2;
		printf("%s\t", name);
		struct icalrecurrencetype r = icalrecurrencetype_from_string(rule);
		icalrecur_iterator *it = icalrecur_iterator_new(r, icaltime_from_string(start));
		if (!it) {
			printf("none: refused\n");
			continue;
		}
		for (int i = 0; i < 12; i++) {
			struct icaltimetype t = icalrecur_iterator_next(it);
			if (icaltime_is_null_time(t) || t.year >= 2100)
				break;
			printf("%s%04d%02d%02dT%02d%02d%02d", i ? " " : "", t.year, t.month, t.day, t.hour, t.minute, t.second);
		}
		printf("\n");
		icalrecur_iterator_free(it);
	}
	return 0;
}
