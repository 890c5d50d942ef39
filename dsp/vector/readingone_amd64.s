//go:build !purego

#include "textflag.h"

// The sum of the two samples of a tap in the even lanes of Y5, and their difference in the
// odd ones.
#define BOTH \
	VBROADCASTSD (R11), Y4      \
	VBROADCASTSD (R12), Y5      \
	VXORPD       Y13, Y5, Y5    \
	VADDSUBPD    Y5, Y4, Y5

// Y0 or another, e0, o0, e1, o1 of a group, takes its taps.
#define ONTO(sum, taps, y) \
	VMULPD taps, Y5, y   \
	VADDPD y, sum, sum

// The largest magnitudes of a group: of a NaN and the largest, the largest.
#define MOST(sum) \
	VANDPD  Y15, sum, sum  \
	VHADDPD sum, sum, sum  \
	VMAXPD  Y14, sum, Y14

#define MIDDLE \
	MOVQ R9, R11 \
	MOVQ R10, R12 \
	MOVQ BX, DI

#define OUTWARDS \
	ADDQ $32, SI  \
	SUBQ $8, R11  \
	ADDQ $8, R12  \
	DECQ DI

// func readingAVX(taps *[4]float64, half, groups int, window *float64) float64
TEXT ·readingAVX(SB), NOSPLIT, $0-40
	MOVQ taps+0(FP), SI
	MOVQ half+8(FP), BX
	MOVQ groups+16(FP), CX
	MOVQ window+24(FP), DI
	VBROADCASTSD ·withoutSign(SB), Y15
	VPCMPEQD X13, X13, X13
	VPSLLQ   $63, X13, X13 // the sign
	VINSERTF128 $1, X13, Y13, Y13
	VXORPD Y14, Y14, Y14
	LEAQ -8(DI)(BX*8), R9
	LEAQ (DI)(BX*8), R10
	MOVQ BX, R8
	SHLQ $5, R8 // from a group's taps to the next one's
	LEAQ (R8)(R8*2), R13

fours:
	CMPQ CX, $4
	JLT  ones
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	MIDDLE

fourTaps:
	BOTH
	ONTO(Y0, (SI), Y6)
	ONTO(Y1, (SI)(R8*1), Y7)
	ONTO(Y2, (SI)(R8*2), Y8)
	ONTO(Y3, (SI)(R13*1), Y9)
	OUTWARDS
	JNZ fourTaps
	MOST(Y0)
	MOST(Y1)
	MOST(Y2)
	MOST(Y3)
	ADDQ R13, SI
	SUBQ $4, CX
	JMP  fours

ones:
	TESTQ CX, CX
	JZ    done
	VXORPD Y0, Y0, Y0
	MIDDLE

taps:
	BOTH
	ONTO(Y0, (SI), Y6)
	OUTWARDS
	JNZ taps
	MOST(Y0)
	DECQ CX
	JMP  ones

done:
	VEXTRACTF128 $1, Y14, X0
	VMAXSD X0, X14, X0
	VMOVSD X0, ret+32(FP)
	VZEROUPPER
	RET
