/* Measures a file by libsndfile and libebur128, for comparison of the time it takes.
 *
 *   ebur128_file FILE
 *
 * Prints integrated loudness, loudness range and true peak (linear). */
#include <ebur128.h>
#include <sndfile.h>
#include <stdio.h>

int main(int argc, char **argv) {
	if (argc != 2) return 2;
	SF_INFO info = {0};
	SNDFILE *f = sf_open(argv[1], SFM_READ, &info);
	if (!f || info.channels > 2) return 1;
	ebur128_state *s = ebur128_init(info.channels, info.samplerate, EBUR128_MODE_I | EBUR128_MODE_LRA | EBUR128_MODE_TRUE_PEAK);
	static double x[2 * 4096];
	sf_count_t n;
	while ((n = sf_readf_double(f, x, 4096)) > 0) ebur128_add_frames_double(s, x, n);
	double i, lra, tp = 0, v;
	ebur128_loudness_global(s, &i);
	ebur128_loudness_range(s, &lra);
	for (int c = 0; c < info.channels; c++)
		if (!ebur128_true_peak(s, c, &v) && v > tp) tp = v;
	printf("%.17g %.17g %.17g\n", i, lra, tp);
	return 0;
}
