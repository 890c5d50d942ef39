//go:build !purego

#include "textflag.h"

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

// func pair1AVX(x, y *float64, frames int, k *Section, state *State)
TEXT ·pair1AVX(SB), NOSPLIT, $80-40
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	MOVQ state+32(FP), R8
	SPREAD(0, BX, 0)
	LOADSTATES(R8, X4, X5)

loop1:
	LOADFRAME
	SECTION(0, X4, X5)
	STOREFRAME
	DECQ CX
	JNZ  loop1
	STORESTATES(R8, X4, X5)
	RET

// func pair2AVX(x, y *float64, frames int, k *Section, state0, state1 *State)
TEXT ·pair2AVX(SB), NOSPLIT, $160-48
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	SPREAD(0, BX, 0)
	SPREAD(40, BX, 80)
	LOADSTATES(R8, X4, X5)
	LOADSTATES(R9, X6, X7)

loop2:
	LOADFRAME
	SECTION(0, X4, X5)
	SECTION(80, X6, X7)
	STOREFRAME
	DECQ CX
	JNZ  loop2
	STORESTATES(R8, X4, X5)
	STORESTATES(R9, X6, X7)
	RET

// func pair3AVX(x, y *float64, frames int, k *Section, state0, state1, state2 *State)
TEXT ·pair3AVX(SB), NOSPLIT, $240-56
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	MOVQ state2+48(FP), R10
	SPREAD(0, BX, 0)
	SPREAD(40, BX, 80)
	SPREAD(80, BX, 160)
	LOADSTATES(R8, X4, X5)
	LOADSTATES(R9, X6, X7)
	LOADSTATES(R10, X8, X9)

loop3:
	LOADFRAME
	SECTION(0, X4, X5)
	SECTION(80, X6, X7)
	SECTION(160, X8, X9)
	STOREFRAME
	DECQ CX
	JNZ  loop3
	STORESTATES(R8, X4, X5)
	STORESTATES(R9, X6, X7)
	STORESTATES(R10, X8, X9)
	RET

// Section 1 at x[n] in the lower lane, section 2 at x[n−4] in the upper one.
//
// func twoAVX(x *float64, frames int, k *Section, state0, state1 *State)
TEXT ·twoAVX(SB), NOSPLIT, $80-40
	MOVQ x+0(FP), SI
	MOVQ frames+8(FP), CX
	MOVQ k+16(FP), BX
	MOVQ state0+24(FP), R8
	MOVQ state1+32(FP), R9
	VMOVSD  0(BX), X0
	VMOVHPD 40(BX), X0, X0
	VMOVUPD X0, 0(SP)
	VMOVSD  8(BX), X0
	VMOVHPD 48(BX), X0, X0
	VMOVUPD X0, 16(SP)
	VMOVSD  16(BX), X0
	VMOVHPD 56(BX), X0, X0
	VMOVUPD X0, 32(SP)
	VMOVSD  24(BX), X0
	VMOVHPD 64(BX), X0, X0
	VMOVUPD X0, 48(SP)
	VMOVSD  32(BX), X0
	VMOVHPD 72(BX), X0, X0
	VMOVUPD X0, 64(SP)
	VMOVUPD   (R8), X0
	VMOVUPD   (R9), X1
	VUNPCKLPD X1, X0, X4
	VUNPCKHPD X1, X0, X5

loop:
	VMOVSD  (SI), X0
	VMOVHPD -32(SI), X0, X0
	SECTION(0, X4, X5)
	VMOVSD  X0, (SI)
	VMOVHPD X0, -32(SI)
	ADDQ    $8, SI
	DECQ    CX
	JNZ     loop
	VUNPCKLPD X5, X4, X0
	VUNPCKHPD X5, X4, X1
	VMOVUPD X0, (R8)
	VMOVUPD X1, (R9)
	RET
