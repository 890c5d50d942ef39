// Two sections of two planes in one register: the first section's planes in the lower
// lanes, the second's in the upper ones. Coefficients lie from (R12) on.

// A coefficient of two sections, from o(k) and o(l) on.
#define ROW(o, k, l, to) \
	VMOVDDUP (o+0)(k), X0       \
	VMOVDDUP (o+0)(l), X1       \
	VMOVAPD  X0, (to+0)(R12)    \
	VMOVAPD  X1, (to+16)(R12)

// The states of two sections of both planes, as the S1 of all and the S2 of all.
#define TAKE(p, q, s1, s2, x1, x2) \
	LOADSTATES(p, x1, x2)       \
	LOADSTATES(q, X2, X3)       \
	VINSERTF128 $1, X2, s1, s1  \
	VINSERTF128 $1, X3, s2, s2

#define LEAVE(p, q, s1, s2, x1, x2) \
	VEXTRACTF128 $1, s1, X2     \
	VEXTRACTF128 $1, s2, X3     \
	STORESTATES(p, x1, x2)      \
	STORESTATES(q, X2, X3)

// A section over four lanes, from x to y, with coefficients from o(R12) on: as SECTION.
#define LANES(o, x, s1, s2, y) \
	VMULPD  (o+0)(R12), x, y     \
	VADDPD  s1, y, y             \
	VMULPD  (o+32)(R12), x, Y2   \
	VADDPD  Y2, s2, s2           \
	VMULPD  (o+96)(R12), s1, Y2  \
	VSUBPD  Y2, s2, s2           \
	VMULPD  (o+64)(R12), x, Y3   \
	VMULPD  (o+128)(R12), s1, Y2 \
	VMOVAPD s2, s1               \
	VSUBPD  Y2, Y3, s2

// The same, but that the states of the lanes of keep stay.
#define SOMELANES(o, keep, x, s1, s2, y) \
	VMOVAPD  s1, Y14               \
	VMOVAPD  s2, Y15               \
	LANES(o, x, s1, s2, y)         \
	VBLENDPD $keep, Y14, s1, s1    \
	VBLENDPD $keep, Y15, s2, s2

// Two frames of both planes, of which X12 and X13 take one each.
#define FRAMES \
	VMOVUPD   (SI), X0       \
	VMOVUPD   (DI), X1       \
	VUNPCKLPD X1, X0, X12    \
	VUNPCKHPD X1, X0, X13    \
	ADDQ      $16, SI        \
	ADDQ      $16, DI

// What two sections take: a frame, and what the first of them put out two frames ago.
#define FIRST(in, p) VINSERTF128 $1, p, in, Y0
