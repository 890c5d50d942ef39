//go:build !purego

#include "textflag.h"

// func overAVX(x *float64, fours int, value float64) uint32
TEXT ·overAVX(SB), NOSPLIT, $0-28
	MOVQ x+0(FP), SI
	MOVQ fours+8(FP), DX
	VBROADCASTSD value+16(FP), Y14
	VBROADCASTSD ·withoutSign(SB), Y15
	XORL AX, AX
	XORL CX, CX

fours:
	VANDPD    (SI), Y15, Y0
	VCMPPD    $30, Y14, Y0, Y0 // greater, of numbers
	VMOVMSKPD Y0, BX
	SHLL      CX, BX
	ORL       BX, AX
	ADDQ      $32, SI
	ADDL      $4, CX
	DECQ      DX
	JNZ       fours
	MOVL AX, ret+24(FP)
	VZEROUPPER
	RET

// func extentsAVX(x *float64, fours int, extents *Extent, blocks int)
TEXT ·extentsAVX(SB), NOSPLIT, $0-32
	MOVQ x+0(FP), SI
	MOVQ fours+8(FP), BX
	MOVQ extents+16(FP), DI
	MOVQ blocks+24(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15

blocks:
	VXORPD Y0, Y0, Y0 // largest samples
	VXORPD Y1, Y1, Y1 // largest second differences
	MOVQ   BX, DX

fours:
	VMOVUPD 8(SI), Y2
	VMOVUPD 16(SI), Y3
	VSUBPD  Y2, Y3, Y4     // now
	VSUBPD  (SI), Y2, Y2   // before
	VSUBPD  Y2, Y4, Y4
	VANDPD  Y15, Y3, Y3
	VANDPD  Y15, Y4, Y4
	VMAXPD  Y3, Y0, Y0
	VMAXPD  Y4, Y1, Y1
	ADDQ    $32, SI
	DECQ    DX
	JNZ     fours
	VUNPCKLPD    Y1, Y0, Y2
	VUNPCKHPD    Y1, Y0, Y3
	VMAXPD       Y3, Y2, Y2
	VEXTRACTF128 $1, Y2, X3
	VMAXPD       X3, X2, X2
	VMAXPD       (DI), X2, X2
	VMOVUPD      X2, (DI)
	ADDQ         $16, DI
	DECQ         CX
	JNZ          blocks
	VZEROUPPER
	RET
