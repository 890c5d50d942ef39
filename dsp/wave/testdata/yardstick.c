/* The yardstick of this package's speed: 24-bit stereo WAV decoded to planar
 * doubles and encoded again (round to nearest, clamp), block by block, written
 * by hand as a C programmer would. It knows one format and checks nothing.
 *
 *   yardstick IN.wav OUT.wav */
#include <fcntl.h>
#include <math.h>
#include <stdint.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

enum { FRAMES = 65536 / 6 }; /* reads and writes as long as this package's */
static unsigned char raw[FRAMES * 6 + 8];
static double left[FRAMES], right[FRAMES];

static inline int32_t quantise(double x) {
	double v = x * 8388608.0;
	v = v < -8388608.0 ? -8388608.0 : v > 8388607.0 ? 8388607.0 : v;
	return (int32_t)lrint(v);
}

int main(int argc, char **argv) {
	if (argc != 3) return 2;
	int in = open(argv[1], O_RDONLY), out = open(argv[2], O_WRONLY | O_CREAT | O_TRUNC, 0666);
	if (in < 0 || out < 0) return 1;
	/* The writer of this package puts the data of a plain file here. */
	enum { HEAD = 80 };
	unsigned char head[HEAD];
	if (read(in, head, HEAD) != HEAD || memcmp(head + 72, "data", 4) || write(out, head, HEAD) != HEAD) return 1;
	uint32_t left_bytes;
	memcpy(&left_bytes, head + 76, 4);
	while (left_bytes > 0) {
		size_t want = left_bytes < FRAMES * 6 ? left_bytes : FRAMES * 6;
		if (read(in, raw, want) != (ssize_t)want) return 1;
		left_bytes -= want;
		size_t frames = want / 6;
		for (size_t n = 0; n < frames; n++) {
			uint64_t v;
			memcpy(&v, raw + 6 * n, 8);
			left[n] = (double)(int32_t)(uint32_t)(v << 8) * (1.0 / 2147483648.0);
			right[n] = (double)(int32_t)((uint32_t)(v >> 16) & 0xffffff00u) * (1.0 / 2147483648.0);
		}
		for (size_t n = 0; n < frames; n++) {
			uint64_t v = (uint64_t)((uint32_t)quantise(left[n]) & 0xffffff) | (uint64_t)((uint32_t)quantise(right[n]) & 0xffffff) << 24;
			memcpy(raw + 6 * n, &v, 8);
		}
		if (write(out, raw, want) != (ssize_t)want) return 1;
	}
	return close(out) ? 1 : 0;
}
