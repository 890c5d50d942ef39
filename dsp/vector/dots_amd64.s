//go:build !purego

#include "textflag.h"

// Four more products with the row at r, in the sums s.
#define MORE(r, s) \
	VMULPD (r)(AX*1), Y4, Y5 \
	VADDPD Y5, s, s

// func dots4SIMD(x, a, b, c, d *float64, fours int, sums *[4]float64)
TEXT ·dots4SIMD(SB), NOSPLIT, $0-56
	MOVQ   x+0(FP), SI
	MOVQ   a+8(FP), R8
	MOVQ   b+16(FP), R9
	MOVQ   c+24(FP), R10
	MOVQ   d+32(FP), R11
	MOVQ   fours+40(FP), CX
	MOVQ   sums+48(FP), DI
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	XORQ   AX, AX

four:
	VMOVUPD (SI)(AX*1), Y4
	MORE(R8, Y0)
	MORE(R9, Y1)
	MORE(R10, Y2)
	MORE(R11, Y3)
	ADDQ $32, AX
	DECQ CX
	JNZ  four

	VHADDPD    Y1, Y0, Y4        // first and second sum of a, of b; third and fourth
	VHADDPD    Y3, Y2, Y5        // of c, of d
	VPERM2F128 $0x20, Y5, Y4, Y6 // the first and second sums of all
	VPERM2F128 $0x31, Y5, Y4, Y7 // the third and fourth
	VADDPD     Y7, Y6, Y6
	VMOVUPD    Y6, (DI)
	VZEROUPPER
	RET

// func dots2SIMD(x, a, b *float64, fours int, sums *[2]float64)
TEXT ·dots2SIMD(SB), NOSPLIT, $0-40
	MOVQ   x+0(FP), SI
	MOVQ   a+8(FP), R8
	MOVQ   b+16(FP), R9
	MOVQ   fours+24(FP), CX
	MOVQ   sums+32(FP), DI
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	XORQ   AX, AX

four:
	VMOVUPD (SI)(AX*1), Y4
	MORE(R8, Y0)
	MORE(R9, Y1)
	ADDQ $32, AX
	DECQ CX
	JNZ  four

	VHADDPD      Y1, Y0, Y4
	VEXTRACTF128 $1, Y4, X5
	VADDPD       X5, X4, X4
	VMOVUPD      X4, (DI)
	VZEROUPPER
	RET
