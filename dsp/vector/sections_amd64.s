//go:build !purego

#include "textflag.h"

#include "sections_amd64.h"

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
	BESIDE(BX)
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

// Section 1 at x[n] in the lowest lane, to section 4 at x[n−12] in the highest.
//
// func fourAVX(x *float64, frames int, k *Section, state0, state1, state2, state3 *State)
TEXT ·fourAVX(SB), NOSPLIT, $160-56
	MOVQ x+0(FP), SI
	MOVQ frames+8(FP), CX
	MOVQ k+16(FP), BX
	MOVQ state0+24(FP), R8
	MOVQ state1+32(FP), R9
	MOVQ state2+40(FP), R10
	MOVQ state3+48(FP), R11
	GATHER(0, BX, 0)
	GATHER(8, BX, 32)
	GATHER(16, BX, 64)
	GATHER(24, BX, 96)
	GATHER(32, BX, 128)
	VMOVUPD     (R8), X0
	VMOVUPD     (R9), X1
	VMOVUPD     (R10), X2
	VMOVUPD     (R11), X3
	VINSERTF128 $1, X2, Y0, Y0
	VINSERTF128 $1, X3, Y1, Y1
	VUNPCKLPD   Y1, Y0, Y4
	VUNPCKHPD   Y1, Y0, Y5

loop4:
	VMOVSD       (SI), X0
	VMOVHPD      -32(SI), X0, X0
	VMOVSD       -64(SI), X1
	VMOVHPD      -96(SI), X1, X1
	VINSERTF128  $1, X1, Y0, Y0
	SECTION4(Y4, Y5)
	VEXTRACTF128 $1, Y0, X1
	VMOVSD       X0, (SI)
	VMOVHPD      X0, -32(SI)
	VMOVSD       X1, -64(SI)
	VMOVHPD      X1, -96(SI)
	ADDQ         $8, SI
	DECQ         CX
	JNZ          loop4
	VUNPCKLPD    Y5, Y4, Y0
	VUNPCKHPD    Y5, Y4, Y1
	VEXTRACTF128 $1, Y0, X2
	VEXTRACTF128 $1, Y1, X3
	VMOVUPD      X0, (R8)
	VMOVUPD      X1, (R9)
	VMOVUPD      X2, (R10)
	VMOVUPD      X3, (R11)
	VZEROUPPER
	RET
