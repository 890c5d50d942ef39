//go:build !purego

#include "textflag.h"

// Four frames of three quarters, in Y12, Y13 and memory, times what they leave of a state
// at the end of a quarter, which lies from o bytes after BX on.
#define AHEAD(o, a, b, c) \
	VMOVUPD o(BX), Y14               \
	VMULPD  Y12, Y14, Y15            \
	VADDPD  Y15, a, a                \
	VMULPD  Y13, Y14, Y15            \
	VADDPD  Y15, b, b                \
	VMULPD  (SI)(R8*2), Y14, Y14     \
	VADDPD  Y14, c, c

// The sum of the lanes of each of four registers.
#define SUMS(a, b, c, d, to) \
	VHADDPD    b, a, a           \
	VHADDPD    d, c, c           \
	VPERM2F128 $0x20, c, a, Y12  \
	VPERM2F128 $0x31, c, a, Y13  \
	VADDPD     Y13, Y12, Y12     \
	VMOVUPD    Y12, to

// func aheadSIMD(x *float64, rows int, left *float64, ahead *[3][4]float64)
TEXT ·aheadSIMD(SB), NOSPLIT, $0-32
	MOVQ   x+0(FP), SI
	MOVQ   rows+8(FP), CX
	MOVQ   left+16(FP), BX
	MOVQ   ahead+24(FP), DI
	LEAQ   (CX*8), R8
	VXORPD Y0, Y0, Y0 // of the first quarter, then of the others
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	VXORPD Y4, Y4, Y4
	VXORPD Y5, Y5, Y5
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	VXORPD Y8, Y8, Y8
	VXORPD Y9, Y9, Y9
	VXORPD Y10, Y10, Y10
	VXORPD Y11, Y11, Y11

fours:
	VMOVUPD (SI), Y12
	VMOVUPD (SI)(R8*1), Y13
	AHEAD(0, Y0, Y4, Y8)
	AHEAD(1056, Y1, Y5, Y9) // (mostRows + 4) 8
	AHEAD(2112, Y2, Y6, Y10)
	AHEAD(3168, Y3, Y7, Y11)
	ADDQ $32, SI
	ADDQ $32, BX
	SUBQ $4, CX
	JG   fours
	SUMS(Y0, Y1, Y2, Y3, 0(DI))
	SUMS(Y4, Y5, Y6, Y7, 32(DI))
	SUMS(Y8, Y9, Y10, Y11, 64(DI))
	VZEROUPPER
	RET

// A frame of each quarter in x, the sums of squares in Y15. Each pair of states is left in
// the other's register.
#define ROW(x, p1, p2, q1, q2) \
	VADDPD p1, x, Y2       \
	VMULPD Y8, x, Y3       \
	VADDPD Y3, p2, p2      \
	VMULPD Y10, p1, Y3     \
	VSUBPD Y3, p2, p2      \
	VMULPD Y9, x, x        \
	VMULPD Y11, p1, p1     \
	VSUBPD p1, x, p1       \
	VADDPD q1, Y2, x       \
	VMULPD Y12, Y2, Y3     \
	VADDPD Y3, q2, q2      \
	VMULPD Y14, q1, Y3     \
	VSUBPD Y3, q2, q2      \
	VMULPD Y13, Y2, Y2     \
	VMULPD 224(BX), q1, q1 \
	VSUBPD q1, Y2, q1      \
	VMULPD x, x, x         \
	VADDPD x, Y15, Y15

// func quartersSIMD(x *float64, rows int, k *[8][4]float64, states *[4]QuartersState, sums *[4]float64)
TEXT ·quartersSIMD(SB), NOSPLIT, $0-40
	MOVQ x+0(FP), SI
	MOVQ rows+8(FP), CX
	MOVQ k+16(FP), BX
	MOVQ states+24(FP), DI
	MOVQ sums+32(FP), DX
	LEAQ (CX*8), R8
	LEAQ (R8)(R8*2), R9
	LEAQ (SI)(R8*4), R10
	LEAQ (SI*4), R11
	SUBQ R11, R10

	// From a quarter's states in a row to the four quarters of a state.
	VMOVUPD    (DI), Y0
	VMOVUPD    32(DI), Y1
	VMOVUPD    64(DI), Y2
	VMOVUPD    96(DI), Y3
	VUNPCKLPD  Y1, Y0, Y8
	VUNPCKHPD  Y1, Y0, Y9
	VUNPCKLPD  Y3, Y2, Y10
	VUNPCKHPD  Y3, Y2, Y11
	VPERM2F128 $0x20, Y10, Y8, Y4
	VPERM2F128 $0x20, Y11, Y9, Y5
	VPERM2F128 $0x31, Y10, Y8, Y6
	VPERM2F128 $0x31, Y11, Y9, Y7
	VMOVUPD    (BX), Y8
	VMOVUPD    32(BX), Y9
	VMOVUPD    64(BX), Y10
	VMOVUPD    96(BX), Y11
	VMOVUPD    128(BX), Y12
	VMOVUPD    160(BX), Y13
	VMOVUPD    192(BX), Y14
	VMOVUPD    (DX), Y15
	SUBQ       $2, CX
	JL         single

pairs:
	PREFETCHT0  (R10)(SI*4)
	VMOVUPD     (SI), X2
	VMOVUPD     (SI)(R8*1), X3
	VINSERTF128 $1, (SI)(R8*2), Y2, Y2
	VINSERTF128 $1, (SI)(R9*1), Y3, Y3
	VUNPCKLPD   Y3, Y2, Y0
	VUNPCKHPD   Y3, Y2, Y1
	ROW(Y0, Y4, Y5, Y6, Y7)
	ROW(Y1, Y5, Y4, Y7, Y6)
	ADDQ        $16, SI
	SUBQ        $2, CX
	JGE         pairs

single:
	TESTQ       $1, CX
	JZ          store
	VMOVSD      (SI), X0
	VMOVHPD     (SI)(R8*1), X0, X0
	VMOVSD      (SI)(R8*2), X1
	VMOVHPD     (SI)(R9*1), X1, X1
	VINSERTF128 $1, X1, Y0, Y0
	ROW(Y0, Y4, Y5, Y6, Y7)
	VMOVAPD     Y4, Y0
	VMOVAPD     Y5, Y4
	VMOVAPD     Y0, Y5
	VMOVAPD     Y6, Y0
	VMOVAPD     Y7, Y6
	VMOVAPD     Y0, Y7

store:
	VUNPCKLPD  Y5, Y4, Y0
	VUNPCKHPD  Y5, Y4, Y1
	VUNPCKLPD  Y7, Y6, Y2
	VUNPCKHPD  Y7, Y6, Y3
	VPERM2F128 $0x20, Y2, Y0, Y4
	VPERM2F128 $0x20, Y3, Y1, Y5
	VPERM2F128 $0x31, Y2, Y0, Y6
	VPERM2F128 $0x31, Y3, Y1, Y7
	VMOVUPD    Y4, (DI)
	VMOVUPD    Y5, 32(DI)
	VMOVUPD    Y6, 64(DI)
	VMOVUPD    Y7, 96(DI)
	VMOVUPD    Y15, (DX)
	VZEROUPPER
	RET
