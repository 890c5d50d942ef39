/* Reads or writes a file by libsndfile, for the interchange test.
 *
 *   sndfile_check read FILE                  frames as doubles to standard output
 *   sndfile_check write FILE FORMAT RATE CH  doubles from standard input, of
 *                                            which integers take 32 bits
 *   sndfile_check copy FILE FILE             by doubles, to compare the speed
 *
 * FORMAT is a libsndfile format number in hexadecimal. */
#include <math.h>
#include <sndfile.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>

static int fail(const char *what) {
	fprintf(stderr, "sndfile_check: %s\n", what);
	return 1;
}

int main(int argc, char **argv) {
	SF_INFO info;
	memset(&info, 0, sizeof info);
	if (argc == 3 && !strcmp(argv[1], "read")) {
		SNDFILE *f = sf_open(argv[2], SFM_READ, &info);
		if (!f) return fail(sf_strerror(NULL));
		fprintf(stderr, "%d %d %x %lld\n", info.samplerate, info.channels, info.format, (long long)info.frames);
		double x[64];
		while (sf_readf_double(f, x, 1) == 1)
			fwrite(x, sizeof *x, info.channels, stdout);
		sf_close(f);
		return 0;
	}
	if (argc == 6 && !strcmp(argv[1], "write")) {
		info.format = (int)strtol(argv[3], NULL, 16);
		info.samplerate = atoi(argv[4]);
		info.channels = atoi(argv[5]);
		SNDFILE *f = sf_open(argv[2], SFM_WRITE, &info);
		if (!f) return fail(sf_strerror(NULL));
		int sub = info.format & SF_FORMAT_SUBMASK;
		int floats = sub == SF_FORMAT_FLOAT || sub == SF_FORMAT_DOUBLE;
		double x[64];
		int codes[64];
		while (fread(x, sizeof *x, info.channels, stdin) == (size_t)info.channels) {
			/* Not sf_write_double for integers: it scales by 2^(n-1) - 1. */
			for (int c = 0; c < info.channels; c++) codes[c] = (int)(x[c] * 2147483648.0);
			if ((floats ? sf_writef_double(f, x, 1) : sf_writef_int(f, codes, 1)) != 1)
				return fail(sf_strerror(f));
		}
		return sf_close(f) ? fail("close") : 0;
	}
	if (argc == 4 && !strcmp(argv[1], "copy")) {
		static double x[2 * 4096];
		SNDFILE *in = sf_open(argv[2], SFM_READ, &info);
		if (!in || info.channels > 2) return fail(sf_strerror(NULL));
		SNDFILE *out = sf_open(argv[3], SFM_WRITE, &info);
		if (!out) return fail(sf_strerror(NULL));
		for (sf_count_t n; (n = sf_readf_double(in, x, 4096)) > 0;)
			if (sf_writef_double(out, x, n) != n) return fail(sf_strerror(out));
		return sf_close(in) || sf_close(out) ? fail("close") : 0;
	}
	return fail("usage: read FILE | write FILE FORMAT RATE CHANNELS | copy FILE FILE");
}
