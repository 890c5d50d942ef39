// Vector instructions on two float64 that Go's assembler does not know, by the numbers of
// their registers (Arm Architecture Reference Manual for A-profile, C7.2). None of them
// fuses a product with a sum.

// d = n + m, n − m, |n − m|, n m
#define FADD(m, n, d) WORD $(0x4E60D400 | (m)<<16 | (n)<<5 | (d))
#define FSUB(m, n, d) WORD $(0x4EE0D400 | (m)<<16 | (n)<<5 | (d))
#define FABD(m, n, d) WORD $(0x6EE0D400 | (m)<<16 | (n)<<5 | (d))
#define FMUL(m, n, d) WORD $(0x6E60DC00 | (m)<<16 | (n)<<5 | (d))

// d = n times the lower or the upper number of m
#define FMULLOWER(m, n, d) WORD $(0x4FC09000 | (m)<<16 | (n)<<5 | (d))
#define FMULUPPER(m, n, d) WORD $(0x4FC09800 | (m)<<16 | (n)<<5 | (d))

// d = n, |n|
#define MOVE(n, d) WORD $(0x4EA01C00 | (n)<<16 | (n)<<5 | (d))
#define FABS(n, d) WORD $(0x4EE0F800 | (n)<<5 | (d))

// d = the larger of n and m: NaN if one of them is, or the other
#define FMAX(m, n, d) WORD $(0x4E60F400 | (m)<<16 | (n)<<5 | (d))
#define FMAXNUMBER(m, n, d) WORD $(0x4E60C400 | (m)<<16 | (n)<<5 | (d))

// d = of the two numbers of n, then of those of m: the sum, the larger
#define FADDPAIRS(m, n, d) WORD $(0x6E60D400 | (m)<<16 | (n)<<5 | (d))
#define FMAXPAIRS(m, n, d) WORD $(0x6E60F400 | (m)<<16 | (n)<<5 | (d))

// Sums in V0 to V7 begin at 0.
#define NOSUMS \
	VEOR V0.B16, V0.B16, V0.B16 \
	VEOR V1.B16, V1.B16, V1.B16 \
	VEOR V2.B16, V2.B16, V2.B16 \
	VEOR V3.B16, V3.B16, V3.B16 \
	VEOR V4.B16, V4.B16, V4.B16 \
	VEOR V5.B16, V5.B16, V5.B16 \
	VEOR V6.B16, V6.B16, V6.B16 \
	VEOR V7.B16, V7.B16, V7.B16

// Whole numbers of 16 bits: the four lower or the four upper ones of n times number k of m
// (V0 to V15), added to four sums of 32 bits in d.
#define SMLAL(k, m, n, d) WORD $(0x0F402000 | ((k)&1)<<20 | ((k)>>1&1)<<21 | ((k)>>2)<<11 | (m)<<16 | (n)<<5 | (d))
#define SMLALUPPER(k, m, n, d) WORD $(0x4F402000 | ((k)&1)<<20 | ((k)>>1&1)<<21 | ((k)>>2)<<11 | (m)<<16 | (n)<<5 | (d))

// Four whole numbers of 32 bits: d = |n|, the larger of n and m
#define ABSWORDS(n, d) WORD $(0x4EA0B800 | (n)<<5 | (d))
#define MAXWORDS(m, n, d) WORD $(0x4EA06400 | (m)<<16 | (n)<<5 | (d))
