//go:build !purego

#include "textflag.h"

// Coefficients of a Doubled, four of each, at BX.
#define B0 0
#define C1 32
#define C2 64
#define A1 96
#define A2 128
#define INTO1 160
#define FROM1 192
#define INTO2 224
#define FROM2 256

// A pair of frames, of a set of registers r and the coefficients' lanes from o bytes
// on: r2 and r3 are the inputs, r4 and r5 the states, r9 and r10 what comes out, r8 the
// sums of its squares.
#define PAIR(o, r0, r1, r2, r3, r4, r5, r8, r9, r10) \
	VMULPD  (o+B0)(BX), r2, r9    \
	VADDPD  r4, r9, r9            \
	VMULPD  (o+C1)(BX), r2, r10   \
	VADDPD  r10, r5, r10          \
	VMULPD  (o+A1)(BX), r4, r1    \
	VSUBPD  r1, r10, r10          \
	VMULPD  (o+B0)(BX), r3, r1    \
	VADDPD  r10, r1, r10          \
	VMULPD  (o+INTO1)(BX), r2, r0 \
	VMULPD  (o+C1)(BX), r3, r1    \
	VADDPD  r1, r0, r0            \
	VMULPD  (o+A1)(BX), r5, r1    \
	VSUBPD  r1, r0, r0            \
	VMULPD  (o+FROM1)(BX), r4, r1 \
	VADDPD  r1, r0, r0            \
	VMULPD  (o+INTO2)(BX), r2, r2 \
	VMULPD  (o+C2)(BX), r3, r3    \
	VADDPD  r3, r2, r2            \
	VMULPD  (o+A2)(BX), r5, r1    \
	VSUBPD  r1, r2, r2            \
	VMULPD  (o+FROM2)(BX), r4, r1 \
	VADDPD  r1, r2, r5            \
	VMOVAPD r0, r4                \
	VMULPD  r9, r9, r0            \
	VADDPD  r0, r8, r8            \
	VMULPD  r10, r10, r0          \
	VADDPD  r0, r8, r8

// The second section of a pair of frames runs two pairs behind the first: one pair lies in
// r9 and r10, the one before it in r11 and r12. (One pair behind, it would wait for the
// first: what goes in and comes out takes longer than a pair.) The first pair here is the
// first section's alone, and the last one the second's: the states of the other section, and
// the sums, are kept and put back.

// A pair of frames of two planes, from X0 and X1.
#define TAKETWO \
	VUNPCKLPD   X1, X0, X2       \
	VUNPCKHPD   X1, X0, X3       \
	VINSERTF128 $1, X11, Y2, Y2  \
	VINSERTF128 $1, X12, Y3, Y3  \
	VMOVAPD     X9, X11          \
	VMOVAPD     X10, X12         \
	PAIR(0, Y0, Y1, Y2, Y3, Y4, Y5, Y8, Y9, Y10)

#define KEEP(r4, r5, r8, k4, k5, k8) \
	VMOVAPD r4, k4 \
	VMOVAPD r5, k5 \
	VMOVAPD r8, k8

// func energyTwoSIMD(x, y *float64, pairs int, d *Doubled, a, b *DoubledState, w *[4]float64, sums *float64)
TEXT ·energyTwoSIMD(SB), NOSPLIT, $0-64
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ pairs+16(FP), CX
	MOVQ d+24(FP), BX
	MOVQ a+32(FP), R8
	MOVQ b+40(FP), R9
	MOVQ w+48(FP), R10
	MOVQ sums+56(FP), R11
	VMOVUPD     (R8), Y0
	VMOVUPD     (R9), Y1
	VUNPCKLPD   Y1, Y0, Y4     // S1 of the first sections, then of the second
	VUNPCKHPD   Y1, Y0, Y5
	VMOVUPD     (R10), X9
	VMOVUPD     16(R10), X10
	VXORPD      Y8, Y8, Y8
	VMOVUPD     (R11), X0
	VINSERTF128 $1, X0, Y8, Y8 // the sums are in the upper lanes
	KEEP(Y4, Y5, Y8, Y13, Y14, Y15)
	VXORPD      X11, X11, X11
	VXORPD      X12, X12, X12
	VMOVUPD     (SI), X0
	VMOVUPD     (DI), X1
	TAKETWO
	VBLENDPD    $12, Y13, Y4, Y4
	VBLENDPD    $12, Y14, Y5, Y5
	VMOVAPD     Y15, Y8
	ADDQ $16, SI
	ADDQ $16, DI
	DECQ CX
	JZ   last

pairs:
	VMOVUPD (SI), X0
	VMOVUPD (DI), X1
	TAKETWO
	ADDQ $16, SI
	ADDQ $16, DI
	DECQ CX
	JNZ  pairs

last:
	KEEP(Y4, Y5, Y9, Y13, Y14, Y6)
	VMOVAPD      X10, X7
	VXORPD       X0, X0, X0
	VXORPD       X1, X1, X1
	TAKETWO
	VBLENDPD     $3, Y13, Y4, Y4
	VBLENDPD     $3, Y14, Y5, Y5
	VUNPCKLPD    Y5, Y4, Y0
	VUNPCKHPD    Y5, Y4, Y1
	VMOVUPD      Y0, (R8)
	VMOVUPD      Y1, (R9)
	VMOVUPD      X6, (R10)
	VMOVUPD      X7, 16(R10)
	VEXTRACTF128 $1, Y8, X0
	VMOVUPD      X0, (R11)
	VZEROUPPER
	RET

// A pair of frames of one plane, from X0.
#define TAKEONE \
	VUNPCKLPD X11, X0, X2     \
	VSHUFPD   $1, X12, X0, X3 \
	VMOVAPD   X9, X11         \
	VMOVAPD   X10, X12        \
	PAIR(8, X0, X1, X2, X3, X4, X5, X8, X9, X10)

// func energyOneSIMD(x *float64, pairs int, d *Doubled, s *DoubledState, w *[2]float64, sum *float64)
TEXT ·energyOneSIMD(SB), NOSPLIT, $0-48
	MOVQ x+0(FP), SI
	MOVQ pairs+8(FP), CX
	MOVQ d+16(FP), BX
	MOVQ s+24(FP), R8
	MOVQ w+32(FP), R10
	MOVQ sum+40(FP), R11
	VMOVUPD   (R8), X0
	VMOVUPD   16(R8), X1
	VUNPCKLPD X1, X0, X4
	VUNPCKHPD X1, X0, X5
	VMOVSD    (R10), X9
	VMOVSD    8(R10), X10
	VXORPD    X8, X8, X8
	VMOVHPD   (R11), X8, X8
	KEEP(X4, X5, X8, X13, X14, X15)
	VXORPD    X11, X11, X11
	VXORPD    X12, X12, X12
	VMOVUPD   (SI), X0
	TAKEONE
	VBLENDPD  $2, X13, X4, X4
	VBLENDPD  $2, X14, X5, X5
	VMOVAPD   X15, X8
	ADDQ $16, SI
	DECQ CX
	JZ   last

pairs:
	VMOVUPD (SI), X0
	TAKEONE
	ADDQ $16, SI
	DECQ CX
	JNZ  pairs

last:
	KEEP(X4, X5, X9, X13, X14, X6)
	VMOVAPD   X10, X7
	VXORPD    X0, X0, X0
	TAKEONE
	VBLENDPD  $1, X13, X4, X4
	VBLENDPD  $1, X14, X5, X5
	VUNPCKLPD X5, X4, X0
	VUNPCKHPD X5, X4, X1
	VMOVUPD   X0, (R8)
	VMOVUPD   X1, 16(R8)
	VMOVSD    X6, (R10)
	VMOVSD    X7, 8(R10)
	VMOVHPD   X8, (R11)
	RET
