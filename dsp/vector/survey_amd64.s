//go:build !purego

#include "textflag.h"

// 2^31
DATA ·surveyScale+0(SB)/8, $0x41e0000000000000
GLOBL ·surveyScale(SB), RODATA|NOPTR, $8

// func surveyAVX(x, weights *float64, fours int, l *surveyed, s *Survey)
//
// The result stands in l by lanes and, added up, in s. The bits of equal samples are turned
// to the right by four with each four samples: the caller turns them back.
TEXT ·surveyAVX(SB), NOSPLIT, $0-40
	MOVQ x+0(FP), SI
	MOVQ weights+8(FP), DI
	MOVQ fours+16(FP), CX
	MOVQ l+24(FP), DX
	MOVQ s+32(FP), R8
	VXORPD  Y0, Y0, Y0   // sum
	VXORPD  Y1, Y1, Y1   // squares
	VXORPD  Y2, Y2, Y2   // steps
	VXORPD  Y3, Y3, Y3   // moves
	VBROADCASTSD 8(SI), Y4 // least
	VMOVAPD Y4, Y5         // most
	VXORPD  Y6, Y6, Y6   // broken
	VXORPD  X7, X7, X7   // used
	VBROADCASTSD ·surveyScale(SB), Y14
	VBROADCASTSD ·withoutSign(SB), Y15
	XORQ    BX, BX       // equal

loop:
	VMOVUPD     8(SI), Y8
	VMOVUPD     (SI), Y9
	VADDPD      Y8, Y0, Y0
	VMULPD      Y8, Y8, Y10
	VADDPD      Y10, Y1, Y1
	VSUBPD      Y9, Y8, Y10
	VMULPD      Y10, Y10, Y11
	VADDPD      Y11, Y2, Y2
	VANDPD      Y15, Y10, Y10
	VMULPD      (DI), Y10, Y10
	VADDPD      Y10, Y3, Y3
	VMINPD      Y8, Y4, Y4
	VMAXPD      Y8, Y5, Y5
	VCMPPD      $0, Y9, Y8, Y9
	VMOVMSKPD   Y9, AX
	ORQ         AX, BX
	RORQ        $4, BX
	VMULPD      Y14, Y8, Y8
	VCVTTPD2DQY Y8, X10
	VCVTDQ2PD   X10, Y11
	VCMPPD      $4, Y11, Y8, Y8
	VORPD       Y8, Y6, Y6
	VPOR        X10, X7, X7
	ADDQ        $32, SI
	ADDQ        $32, DI
	DECQ        CX
	JNZ         loop
	TESTQ DX, DX
	JZ    sums
	VMOVUPD Y0, 0(DX)
	VMOVUPD Y1, 32(DX)
	VMOVUPD Y2, 64(DX)
	VMOVUPD Y3, 96(DX)
	VMOVUPD Y4, 128(DX)
	VMOVUPD Y5, 160(DX)
	VMOVUPD Y6, 192(DX)
	VMOVDQU X7, 224(DX)
	MOVQ    BX, 240(DX)
	VZEROUPPER
	RET

sums:
	VHADDPD      Y1, Y0, Y0
	VHADDPD      Y3, Y2, Y2
	VEXTRACTF128 $1, Y0, X1
	VEXTRACTF128 $1, Y2, X3
	VADDPD       X1, X0, X0
	VADDPD       X3, X2, X2
	VMOVUPD      X0, 0(R8)
	VMOVUPD      X2, 16(R8)
	VEXTRACTF128 $1, Y4, X0
	VEXTRACTF128 $1, Y5, X1
	VMINPD       X4, X0, X0 // hi < lo ? hi : lo
	VMAXPD       X5, X1, X1
	VPERMILPD    $1, X0, X2
	VPERMILPD    $1, X1, X3
	VMINSD       X0, X2, X2
	VMAXSD       X1, X3, X3
	VMOVSD       X2, 32(R8)
	VMOVSD       X3, 40(R8)
	MOVQ         BX, 48(R8)
	VPSHUFD      $0x4e, X7, X0
	VPOR         X0, X7, X7
	VPSHUFD      $0xb1, X7, X0
	VPOR         X0, X7, X7
	VMOVMSKPD    Y6, AX // a comparison that fails sets all bits
	XORL         BX, BX
	VMOVD        X7, CX
	TESTL        AX, AX
	SETEQ        BX
	VZEROUPPER
	MOVL         BX, AX
	NEGL         AX
	ANDL         AX, CX
	MOVL         CX, 56(R8)
	MOVB         BX, 60(R8)
	RET
