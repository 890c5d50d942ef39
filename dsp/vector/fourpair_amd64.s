//go:build !purego

#include "textflag.h"
#include "sections_amd64.h"

// The states of four sections, whose addresses are in R8 to R11.
#define STATES4(s1, s2) \
	VMOVUPD     (R8), X0        \
	VMOVUPD     (R9), X1        \
	VMOVUPD     (R10), X2       \
	VMOVUPD     (R11), X3       \
	VINSERTF128 $1, X2, Y0, Y0  \
	VINSERTF128 $1, X3, Y1, Y1  \
	VUNPCKLPD   Y1, Y0, s1      \
	VUNPCKHPD   Y1, Y0, s2

// The four samples that the sections take, each a few frames behind the one before.
#define LOAD4(p) \
	VMOVSD       (p), X0         \
	VMOVHPD      -32(p), X0, X0  \
	VMOVSD       -64(p), X1      \
	VMOVHPD      -96(p), X1, X1  \
	VINSERTF128  $1, X1, Y0, Y0

#define STORE4(p) \
	VEXTRACTF128 $1, Y0, X1      \
	VMOVSD       X0, (p)         \
	VMOVHPD      X0, -32(p)      \
	VMOVSD       X1, -64(p)      \
	VMOVHPD      X1, -96(p)      \
	ADDQ         $8, p

#define BACK4(s1, s2) \
	VUNPCKLPD    s2, s1, Y0      \
	VUNPCKHPD    s2, s1, Y1      \
	VEXTRACTF128 $1, Y0, X2      \
	VEXTRACTF128 $1, Y1, X3      \
	VMOVUPD      X0, (R8)        \
	VMOVUPD      X1, (R9)        \
	VMOVUPD      X2, (R10)       \
	VMOVUPD      X3, (R11)

// As fourAVX, for two planes at once; the states of a section's planes lie side by
// side. One plane's section is worked on while the other's waits for its result.
//
// func fourPairAVX(x, y *float64, frames int, k *Section, state0, state1, state2, state3 *State)
TEXT ·fourPairAVX(SB), NOSPLIT, $160-64
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	MOVQ state2+48(FP), R10
	MOVQ state3+56(FP), R11
	GATHER(0, BX, 0)
	GATHER(8, BX, 32)
	GATHER(16, BX, 64)
	GATHER(24, BX, 96)
	GATHER(32, BX, 128)
	STATES4(Y4, Y5)
	ADDQ $16, R8
	ADDQ $16, R9
	ADDQ $16, R10
	ADDQ $16, R11
	STATES4(Y6, Y7)
loop:
	LOAD4(SI)
	SECTION4(Y4, Y5)
	STORE4(SI)
	LOAD4(DI)
	SECTION4(Y6, Y7)
	STORE4(DI)
	DECQ CX
	JNZ  loop
	BACK4(Y6, Y7)
	SUBQ $16, R8
	SUBQ $16, R9
	SUBQ $16, R10
	SUBQ $16, R11
	BACK4(Y4, Y5)
	VZEROUPPER
	RET
