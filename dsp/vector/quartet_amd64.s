//go:build !purego

#include "textflag.h"

// A frame, Y0, through the four sections, whose states are s1 and s2. The states change
// their places: the new S1 lies in s2, the new S2 in s1.
#define QUARTET(s1, s2) \
	VMULPD Y9, Y0, Y2  \
	VADDPD Y2, s2, s2  \
	VMULPD Y11, s1, Y2 \
	VSUBPD Y2, s2, s2  \
	VMULPD Y10, Y0, Y3 \
	VMULPD Y8, Y0, Y1  \
	VADDPD s1, Y1, Y1  \
	VMULPD Y12, s1, s1 \
	VSUBPD s1, Y3, s1  \
	VMULPD Y1, Y1, Y2  \
	VADDPD Y2, Y6, Y6  \
	VANDPD Y13, Y1, Y1 \
	VMAXPD Y1, Y7, Y7

#define STOREQUARTET(s1, s2) \
	VMOVUPD s1, 0(DX)  \
	VMOVUPD s2, 32(DX) \
	VMOVUPD Y6, 64(DX) \
	VMOVUPD Y7, 96(DX) \
	VZEROUPPER

// func quartetAVX(x *float64, frames int, q *Quartet, s *QuartetState)
TEXT ·quartetAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ frames+8(FP), CX
	MOVQ q+16(FP), BX
	MOVQ s+24(FP), DX
	VMOVUPD 0(BX), Y8
	VMOVUPD 32(BX), Y9
	VMOVUPD 64(BX), Y10
	VMOVUPD 96(BX), Y11
	VMOVUPD 128(BX), Y12
	VMOVUPD 0(DX), Y4
	VMOVUPD 32(DX), Y5
	VMOVUPD 64(DX), Y6
	VMOVUPD 96(DX), Y7

	// All bits but the sign.
	VPCMPEQD X13, X13, X13
	VPSRLQ   $1, X13, X13
	VINSERTF128 $1, X13, Y13, Y13
	SUBQ $2, CX
	JLT  last

two:
	VBROADCASTSD 0(SI), Y0
	QUARTET(Y4, Y5)
	VBROADCASTSD 8(SI), Y0
	QUARTET(Y5, Y4)
	ADDQ $16, SI
	SUBQ $2, CX
	JGE  two

last:
	ADDQ $2, CX
	JZ   even
	VBROADCASTSD 0(SI), Y0
	QUARTET(Y4, Y5)
	STOREQUARTET(Y5, Y4)
	RET

even:
	STOREQUARTET(Y4, Y5)
	RET
