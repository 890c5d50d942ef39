//go:build !purego

#include "textflag.h"

// As whole numbers, magnitudes have an order for NaN as well.
//
// func magnitudesAVX2(to *uint64, x, y *float64, fours int) (largest uint64)
TEXT ·magnitudesAVX2(SB), NOSPLIT, $0-40
	MOVQ to+0(FP), DI
	MOVQ x+8(FP), SI
	MOVQ y+16(FP), BX
	MOVQ fours+24(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15
	VPXOR Y4, Y4, Y4

fours:
	VPAND     (SI), Y15, Y0
	VPAND     (BX), Y15, Y1
	VPCMPGTQ  Y1, Y0, Y2
	VPBLENDVB Y2, Y0, Y1, Y0
	VMOVDQU   Y0, (DI)
	VPCMPGTQ  Y4, Y0, Y2
	VPBLENDVB Y2, Y0, Y4, Y4
	ADDQ      $32, SI
	ADDQ      $32, BX
	ADDQ      $32, DI
	DECQ      CX
	JNZ       fours
	VEXTRACTI128 $1, Y4, X1
	VPCMPGTQ     X1, X4, X2
	VPBLENDVB    X2, X4, X1, X4
	VPSRLDQ      $8, X4, X1
	VPCMPGTQ     X1, X4, X2
	VPBLENDVB    X2, X4, X1, X4
	VMOVQ        X4, largest+32(FP)
	VZEROUPPER
	RET

// func exchangeAVX(x, y *float64, fours int)
TEXT ·exchangeAVX(SB), NOSPLIT, $0-24
	MOVQ x+0(FP), DI
	MOVQ y+8(FP), SI
	MOVQ fours+16(FP), CX

exchange:
	VMOVUPD (DI), Y0
	VMOVUPD (SI), Y1
	VMOVUPD Y1, (DI)
	VMOVUPD Y0, (SI)
	ADDQ    $32, SI
	ADDQ    $32, DI
	DECQ    CX
	JNZ     exchange
	VZEROUPPER
	RET
