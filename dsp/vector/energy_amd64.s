//go:build !purego

#include "textflag.h"
#include "sections_amd64.h"

// func energyPairAVX(x, y *float64, frames int, k *Section, state0, state1 *State, sums *float64)
TEXT ·energyPairAVX(SB), NOSPLIT, $160-56
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	MOVQ sums+48(FP), R10
	SPREAD(0, BX, 0)
	SPREAD(40, BX, 80)
	LOADSTATES(R8, X4, X5)
	LOADSTATES(R9, X6, X7)
	VMOVUPD (R10), X8

frames:
	LOADFRAME
	SECTION(0, X4, X5)
	SECTION(80, X6, X7)
	VMULPD X0, X0, X0
	VADDPD X0, X8, X8
	ADDQ   $8, SI
	ADDQ   $8, DI
	DECQ   CX
	JNZ    frames
	STORESTATES(R8, X4, X5)
	STORESTATES(R9, X6, X7)
	VMOVUPD X8, (R10)
	RET

// A frame with the first section at x[n], in the lower lane, and the second at what
// the first one put out four frames before, which w holds in its lower lane.
#define SKEWED(o, w) \
	VMOVSD    o(SI), X0  \
	VUNPCKLPD w, X0, X0  \
	SECTION(0, X4, X5)   \
	VMOVAPD   X0, w      \
	VMULPD    X0, X0, X0 \
	VADDPD    X0, X8, X8

// func energySkewedAVX(x *float64, fours int, k *Section, state0, state1 *State, between *[4]float64, sum *float64)
TEXT ·energySkewedAVX(SB), NOSPLIT, $80-56
	MOVQ x+0(FP), SI
	MOVQ fours+8(FP), CX
	MOVQ k+16(FP), BX
	MOVQ state0+24(FP), R8
	MOVQ state1+32(FP), R9
	MOVQ between+40(FP), R10
	MOVQ sum+48(FP), R11
	BESIDE(BX)
	VMOVUPD   (R8), X0
	VMOVUPD   (R9), X1
	VUNPCKLPD X1, X0, X4
	VUNPCKHPD X1, X0, X5
	VMOVSD    0(R10), X9
	VMOVSD    8(R10), X10
	VMOVSD    16(R10), X11
	VMOVSD    24(R10), X12
	VXORPD    X8, X8, X8   // the sum is in the upper lane
	VMOVHPD   (R11), X8, X8

fours:
	SKEWED(0, X9)
	SKEWED(8, X10)
	SKEWED(16, X11)
	SKEWED(24, X12)
	ADDQ $32, SI
	DECQ CX
	JNZ  fours
	VUNPCKLPD X5, X4, X0
	VUNPCKHPD X5, X4, X1
	VMOVUPD X0, (R8)
	VMOVUPD X1, (R9)
	VMOVSD  X9, 0(R10)
	VMOVSD  X10, 8(R10)
	VMOVSD  X11, 16(R10)
	VMOVSD  X12, 24(R10)
	VMOVHPD X8, (R11)
	RET
