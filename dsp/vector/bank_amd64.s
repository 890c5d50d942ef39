//go:build !purego

#include "textflag.h"

// Offsets of a row's coefficients, from a row at o(BX) on.
#define B0 0
#define C1 32
#define C2 64
#define A1 96
#define A2 128

// A row of four sections: Y1 is what goes in and then what comes out, s1 and s2 are the
// states, sum the sums of squares. The states change their places: the new S1 lies in
// s2, the new S2 in s1.
#define ROW(o, s1, s2, sum) \
	VMULPD (o+C1)(BX), Y1, Y2 \
	VADDPD Y2, s2, s2         \
	VMULPD (o+A1)(BX), s1, Y2 \
	VSUBPD Y2, s2, s2         \
	VMULPD (o+C2)(BX), Y1, Y3 \
	VMULPD (o+B0)(BX), Y1, Y1 \
	VADDPD s1, Y1, Y1         \
	VMULPD (o+A2)(BX), s1, s1 \
	VSUBPD s1, Y3, s1         \
	VMULPD Y1, Y1, Y2         \
	VADDPD Y2, sum, sum

// A frame, Y0 and Y1, through all rows; the upper lanes, by the mask, take it anew.
#define FRAME(mask, a4, a5, a6, a7, a8, a9, a10, a11) \
	ROW(0, a4, a5, Y12)       \
	VBLENDPD mask, Y0, Y1, Y1 \
	ROW(160, a6, a7, Y13)     \
	VBLENDPD mask, Y0, Y1, Y1 \
	ROW(320, a8, a9, Y14)     \
	VBLENDPD mask, Y0, Y1, Y1 \
	ROW(480, a10, a11, Y15)

#define INPLACE(mask) FRAME(mask, Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11)
#define SWAPPED(mask) FRAME(mask, Y5, Y4, Y7, Y6, Y9, Y8, Y11, Y10)

#define LOADBANK \
	VMOVUPD 0(DX), Y4    \
	VMOVUPD 32(DX), Y6   \
	VMOVUPD 64(DX), Y8   \
	VMOVUPD 96(DX), Y10  \
	VMOVUPD 128(DX), Y5  \
	VMOVUPD 160(DX), Y7  \
	VMOVUPD 192(DX), Y9  \
	VMOVUPD 224(DX), Y11 \
	VMOVUPD 256(DX), Y12 \
	VMOVUPD 288(DX), Y13 \
	VMOVUPD 320(DX), Y14 \
	VMOVUPD 352(DX), Y15

#define STOREBANK(a4, a5, a6, a7, a8, a9, a10, a11) \
	VMOVUPD a4, 0(DX)    \
	VMOVUPD a6, 32(DX)   \
	VMOVUPD a8, 64(DX)   \
	VMOVUPD a10, 96(DX)  \
	VMOVUPD a5, 128(DX)  \
	VMOVUPD a7, 160(DX)  \
	VMOVUPD a9, 192(DX)  \
	VMOVUPD a11, 224(DX) \
	VMOVUPD Y12, 256(DX) \
	VMOVUPD Y13, 288(DX) \
	VMOVUPD Y14, 320(DX) \
	VMOVUPD Y15, 352(DX)

// func bankOneAVX(x *float64, frames int, b *Bank, s *BankState)
TEXT ·bankOneAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ frames+8(FP), CX
	MOVQ b+16(FP), BX
	MOVQ s+24(FP), DX
	LOADBANK
	SUBQ $2, CX
	JLT  lastone

one:
	VBROADCASTSD 0(SI), Y0
	VBROADCASTSD 0(SI), Y1
	INPLACE($8)
	VBROADCASTSD 8(SI), Y0
	VBROADCASTSD 8(SI), Y1
	SWAPPED($8)
	ADDQ $16, SI
	SUBQ $2, CX
	JGE  one

lastone:
	ADDQ $2, CX
	JZ   evenone
	VBROADCASTSD 0(SI), Y0
	VBROADCASTSD 0(SI), Y1
	INPLACE($8)
	STOREBANK(Y5, Y4, Y7, Y6, Y9, Y8, Y11, Y10)
	VZEROUPPER
	RET

evenone:
	STOREBANK(Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11)
	VZEROUPPER
	RET

// A frame of both planes, in the lower lanes and in the upper.
#define BOTH(o) \
	VMOVSD      o(SI), X0      \
	VMOVHPD     o(DI), X0, X0  \
	VINSERTF128 $1, X0, Y0, Y0 \
	VMOVAPD     Y0, Y1

// func bankTwoAVX(x, y *float64, frames int, b *Bank, s *BankState)
TEXT ·bankTwoAVX(SB), NOSPLIT, $0-40
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ b+24(FP), BX
	MOVQ s+32(FP), DX
	LOADBANK
	SUBQ $2, CX
	JLT  lasttwo

two:
	BOTH(0)
	INPLACE($12)
	BOTH(8)
	SWAPPED($12)
	ADDQ $16, SI
	ADDQ $16, DI
	SUBQ $2, CX
	JGE  two

lasttwo:
	ADDQ $2, CX
	JZ   eventwo
	BOTH(0)
	INPLACE($12)
	STOREBANK(Y5, Y4, Y7, Y6, Y9, Y8, Y11, Y10)
	VZEROUPPER
	RET

eventwo:
	STOREBANK(Y4, Y5, Y6, Y7, Y8, Y9, Y10, Y11)
	VZEROUPPER
	RET
