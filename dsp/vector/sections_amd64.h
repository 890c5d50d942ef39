// A section over two lanes: X0 is the input and then the output, s1 and s2 are the
// states, the coefficients lie as pairs from o(SP) on: B0, C1, C2, A1, A2.
#define SECTION(o, s1, s2) \
	VMULPD  (o+0)(SP), X0, X1  \
	VADDPD  s1, X1, X1         \
	VMULPD  (o+16)(SP), X0, X2 \
	VADDPD  X2, s2, s2         \
	VMULPD  (o+48)(SP), s1, X2 \
	VSUBPD  X2, s2, s2         \
	VMULPD  (o+32)(SP), X0, X3 \
	VMULPD  (o+64)(SP), s1, X2 \
	VMOVAPD s2, s1             \
	VSUBPD  X2, X3, s2         \
	VMOVAPD X1, X0

// Both lanes take the coefficients from o(k) on.
#define SPREAD(o, k, to) \
	VMOVDDUP (o+0)(k), X0       \
	VMOVUPD  X0, (to+0)(SP)     \
	VMOVDDUP (o+8)(k), X0       \
	VMOVUPD  X0, (to+16)(SP)    \
	VMOVDDUP (o+16)(k), X0      \
	VMOVUPD  X0, (to+32)(SP)    \
	VMOVDDUP (o+24)(k), X0      \
	VMOVUPD  X0, (to+48)(SP)    \
	VMOVDDUP (o+32)(k), X0      \
	VMOVUPD  X0, (to+64)(SP)

// Each lane takes the coefficients of a section of its own, of those from k on.
#define BESIDE(k) \
	VMOVSD  0(k), X0       \
	VMOVHPD 40(k), X0, X0  \
	VMOVUPD X0, 0(SP)      \
	VMOVSD  8(k), X0       \
	VMOVHPD 48(k), X0, X0  \
	VMOVUPD X0, 16(SP)     \
	VMOVSD  16(k), X0      \
	VMOVHPD 56(k), X0, X0  \
	VMOVUPD X0, 32(SP)     \
	VMOVSD  24(k), X0      \
	VMOVHPD 64(k), X0, X0  \
	VMOVUPD X0, 48(SP)     \
	VMOVSD  32(k), X0      \
	VMOVHPD 72(k), X0, X0  \
	VMOVUPD X0, 64(SP)

// States lie as {S1, S2} of one plane after the other, and in registers as the S1 of
// both and the S2 of both.
#define LOADSTATES(p, s1, s2) \
	VMOVUPD   (p), X0         \
	VMOVUPD   16(p), X1       \
	VUNPCKLPD X1, X0, s1      \
	VUNPCKHPD X1, X0, s2

#define STORESTATES(p, s1, s2) \
	VUNPCKLPD s2, s1, X0       \
	VUNPCKHPD s2, s1, X1       \
	VMOVUPD   X0, (p)          \
	VMOVUPD   X1, 16(p)

// A frame of two planes.
#define LOADFRAME \
	VMOVSD  (SI), X0     \
	VMOVHPD (DI), X0, X0

#define STOREFRAME \
	VMOVSD  X0, (SI) \
	VMOVHPD X0, (DI) \
	ADDQ    $8, SI   \
	ADDQ    $8, DI

// As SECTION, over four lanes.
#define SECTION4(s1, s2) \
	VMULPD  0(SP), Y0, Y1   \
	VADDPD  s1, Y1, Y1      \
	VMULPD  32(SP), Y0, Y2  \
	VADDPD  Y2, s2, s2      \
	VMULPD  96(SP), s1, Y2  \
	VSUBPD  Y2, s2, s2      \
	VMULPD  64(SP), Y0, Y3  \
	VMULPD  128(SP), s1, Y2 \
	VMOVAPD s2, s1          \
	VSUBPD  Y2, Y3, s2      \
	VMOVAPD Y1, Y0

// A coefficient of four sections, from o(k) on.
#define GATHER(o, k, to) \
	VMOVSD      (o+0)(k), X0     \
	VMOVHPD     (o+40)(k), X0, X0 \
	VMOVSD      (o+80)(k), X1    \
	VMOVHPD     (o+120)(k), X1, X1 \
	VMOVUPD     X0, (to+0)(SP)   \
	VMOVUPD     X1, (to+16)(SP)
