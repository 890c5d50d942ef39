/* Measures a sound by libebur128, for comparison.
 *
 *   ebur128_check RATE CHANNELS REPEATS < interleaved doubles
 *
 * Prints integrated loudness, loudness range, the largest momentary and
 * short-term loudness (asked for every 10 ms), true peak and sample peak
 * (linear), and the least processor time in seconds that a pass with integrated
 * loudness, range and true peak took in memory. */
#include <ebur128.h>
#include <math.h>
#include <stdio.h>
#include <stdlib.h>
#include <time.h>

static double now(void) {
	struct timespec t;
	clock_gettime(CLOCK_PROCESS_CPUTIME_ID, &t);
	return t.tv_sec + t.tv_nsec * 1e-9;
}

int main(int argc, char **argv) {
	if (argc != 4) return 2;
	unsigned rate = atoi(argv[1]), channels = atoi(argv[2]);
	int repeats = atoi(argv[3]);
	size_t room = 1 << 20, n = 0, got;
	double *x = malloc(room * sizeof *x);
	while ((got = fread(x + n, sizeof *x, room - n, stdin)) > 0)
		if ((n += got) == room) x = realloc(x, (room *= 2) * sizeof *x);
	size_t frames = n / channels;

	double maxM = -HUGE_VAL, maxS = -HUGE_VAL, v;
	ebur128_state *s = ebur128_init(channels, rate, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK | EBUR128_MODE_M | EBUR128_MODE_S);
	size_t step = rate / 100;
	for (size_t at = 0; at < frames; at += step) {
		size_t k = frames - at < step ? frames - at : step;
		ebur128_add_frames_double(s, x + at * channels, k);
		if (at + k >= 2 * rate / 5 && !ebur128_loudness_momentary(s, &v) && v > maxM) maxM = v;
		if (at + k >= 3 * rate && !ebur128_loudness_shortterm(s, &v) && v > maxS) maxS = v;
	}
	double i, lra, tp = 0, sp = 0;
	ebur128_loudness_global(s, &i);
	ebur128_loudness_range(s, &lra);
	for (unsigned c = 0; c < channels; c++) {
		ebur128_true_peak(s, c, &v);
		if (v > tp) tp = v;
		ebur128_sample_peak(s, c, &v);
		if (v > sp) sp = v;
	}
	ebur128_destroy(&s);

	double best = 1e9;
	for (int r = 0; r < repeats; r++) {
		double t = now();
		s = ebur128_init(channels, rate, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
		for (size_t at = 0; at < frames; at += 4096)
			ebur128_add_frames_double(s, x + at * channels, frames - at < 4096 ? frames - at : 4096);
		ebur128_loudness_global(s, &v);
		ebur128_loudness_range(s, &v);
		ebur128_destroy(&s);
		t = now() - t;
		if (t < best) best = t;
	}
	printf("%.17g %.17g %.17g %.17g %.17g %.17g %.9g\n", i, lra, maxM, maxS, tp, sp, best);
	return 0;
}
