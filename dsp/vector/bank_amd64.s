//go:build !purego

#include "textflag.h"

// Offsets of a row's coefficients, from a row at o(BX) on. B0 is 1 and is left out.
#define C1 32
#define C2 64
#define A1 96
#define A2 128

// A row of four sections: x is what goes in, y what comes out, s1 and s2 are the states.
#define ROW(o, x, y, s1, s2) \
	VMULPD  (o+C1)(BX), x, Y14  \
	VADDPD  Y14, s2, s2         \
	VMULPD  (o+A1)(BX), s1, Y14 \
	VSUBPD  Y14, s2, Y15        \
	VMULPD  (o+C2)(BX), x, s2   \
	VADDPD  s1, x, y            \
	VMULPD  (o+A2)(BX), s1, Y14 \
	VSUBPD  Y14, s2, s2         \
	VMOVAPD Y15, s1

#define ROW0 ROW(0, Y0, Y0, Y4, Y5)
#define ROW1 ROW(160, Y1, Y1, Y6, Y7)
#define ROW2 ROW(320, Y2, Y3, Y8, Y9)
#define ROW3 ROW(480, Y3, Y3, Y10, Y11)

// Adds the squares of y to a sum.
#define SQUARES(y, sum) \
	VMULPD y, y, Y14 \
	VADDPD Y14, sum, sum

#define LOADBANK \
	VMOVUPD 0(DX), Y4   \
	VMOVUPD 32(DX), Y6  \
	VMOVUPD 64(DX), Y8  \
	VMOVUPD 96(DX), Y10 \
	VMOVUPD 128(DX), Y5 \
	VMOVUPD 160(DX), Y7 \
	VMOVUPD 192(DX), Y9 \
	VMOVUPD 224(DX), Y11 \
	VMOVUPD 352(DX), Y12 \
	VMOVUPD 256(DX), Y13 \
	VMOVUPD 288(DX), Y0  \
	VXORPD  Y1, Y1, Y1

#define STOREBANK \
	VMOVUPD Y4, 0(DX)    \
	VMOVUPD Y6, 32(DX)   \
	VMOVUPD Y8, 64(DX)   \
	VMOVUPD Y10, 96(DX)  \
	VMOVUPD Y5, 128(DX)  \
	VMOVUPD Y7, 160(DX)  \
	VMOVUPD Y9, 192(DX)  \
	VMOVUPD Y11, 224(DX) \
	VMOVUPD Y12, 352(DX)

// A row works on the frame before that of the row ahead of it, so that no row waits for
// another: Y1, Y2 and Y3 hold what rows 1, 2 and 3 take next. The upper lanes of rows 1 and
// 2 take the sound of their frame anew. Those of row 2 have no section, therefore they pass
// it on to row 3.

// One plane: its frame in all lanes; the single sections are in the last one. Of rows 0
// and 1 these are squared together.
#define TAKEONE VBROADCASTSD (SI), Y0
#define FEEDONE(o, from, to) \
	VBROADCASTSD o(SI), Y14 \
	VBLENDPD     $8, Y14, from, to
#define SINGLESONE \
	VUNPCKHPD Y1, Y0, Y15 \
	SQUARES(Y15, Y13)

// func bankOneAVX(x *float64, frames int, b *Bank, s *BankState)
//
// There are at least 3 frames.
TEXT ·bankOneAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ frames+8(FP), CX
	MOVQ b+16(FP), BX
	MOVQ s+24(FP), DX
	LOADBANK
	VUNPCKHPD Y0, Y13, Y13
	TAKEONE
	ROW0
	SINGLESONE
	FEEDONE(0, Y0, Y1)
	ADDQ $8, SI
	ROW1
	TAKEONE
	ROW0
	SINGLESONE
	FEEDONE(-8, Y1, Y2)
	FEEDONE(0, Y0, Y1)
	ADDQ $8, SI
	ROW2
	ROW1
	TAKEONE
	ROW0
	SINGLESONE
	FEEDONE(-8, Y1, Y2)
	FEEDONE(0, Y0, Y1)
	ADDQ $8, SI
	SUBQ $3, CX
	JZ   endone

one:
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW1
	TAKEONE
	ROW0
	SINGLESONE
	FEEDONE(-8, Y1, Y2)
	FEEDONE(0, Y0, Y1)
	ADDQ $8, SI
	DECQ CX
	JNZ  one

endone:
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW1
	VXORPD Y0, Y0, Y0
	SINGLESONE
	FEEDONE(-8, Y1, Y2)
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW3
	SQUARES(Y3, Y12)
	STOREBANK
	VEXTRACTF128 $1, Y13, X13
	VMOVLPD X13, 280(DX)
	VMOVHPD X13, 312(DX)
	VZEROUPPER
	RET

// Two planes: one in lanes 0 and 2, the other in 1 and 3; the upper two lanes have single
// sections.
#define TAKETWO \
	VBROADCASTSD (SI), Y0  \
	VBROADCASTSD (DI), Y14 \
	VBLENDPD     $10, Y14, Y0, Y0
#define FEEDTWO(o, from, to) \
	VBROADCASTSD o(SI), Y14        \
	VBLENDPD     $4, Y14, from, to \
	VBROADCASTSD o(DI), Y14        \
	VBLENDPD     $8, Y14, to, to
#define SINGLESTWO \
	VPERM2F128 $0x31, Y1, Y0, Y15 \
	SQUARES(Y15, Y13)

// func bankTwoAVX(x, y *float64, frames int, b *Bank, s *BankState)
//
// There are at least 3 frames.
TEXT ·bankTwoAVX(SB), NOSPLIT, $0-40
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ b+24(FP), BX
	MOVQ s+32(FP), DX
	LOADBANK
	VPERM2F128 $0x31, Y0, Y13, Y13
	TAKETWO
	ROW0
	SINGLESTWO
	FEEDTWO(0, Y0, Y1)
	ADDQ $8, SI
	ADDQ $8, DI
	ROW1
	TAKETWO
	ROW0
	SINGLESTWO
	FEEDTWO(-8, Y1, Y2)
	FEEDTWO(0, Y0, Y1)
	ADDQ $8, SI
	ADDQ $8, DI
	ROW2
	ROW1
	TAKETWO
	ROW0
	SINGLESTWO
	FEEDTWO(-8, Y1, Y2)
	FEEDTWO(0, Y0, Y1)
	ADDQ $8, SI
	ADDQ $8, DI
	SUBQ $3, CX
	JZ   endtwo

two:
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW1
	TAKETWO
	ROW0
	SINGLESTWO
	FEEDTWO(-8, Y1, Y2)
	FEEDTWO(0, Y0, Y1)
	ADDQ $8, SI
	ADDQ $8, DI
	DECQ CX
	JNZ  two

endtwo:
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW1
	VXORPD Y0, Y0, Y0
	SINGLESTWO
	FEEDTWO(-8, Y1, Y2)
	ROW3
	SQUARES(Y3, Y12)
	ROW2
	ROW3
	SQUARES(Y3, Y12)
	STOREBANK
	VMOVUPD      X13, 272(DX)
	VEXTRACTF128 $1, Y13, X13
	VMOVUPD      X13, 304(DX)
	VZEROUPPER
	RET
