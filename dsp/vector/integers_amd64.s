//go:build !purego

#include "textflag.h"

DATA top<>+0(SB)/8, $0x3e00000000000000 // 2^-31
GLOBL top<>(SB), RODATA|NOPTR, $8

// func unpackAVX(first, second *float64, raw *byte, order *[16]byte, bytes, step, fours int)
TEXT ·unpackAVX(SB), NOSPLIT, $0-56
	MOVQ first+0(FP), DI
	MOVQ second+8(FP), R8
	MOVQ raw+16(FP), SI
	MOVQ order+24(FP), BX
	MOVQ bytes+32(FP), DX
	MOVQ step+40(FP), R9
	MOVQ fours+48(FP), CX
	VMOVDQU (BX), X4
	VBROADCASTSD top<>(SB), Y5

fours:
	VMOVDQU (SI), X0
	VPSHUFB X4, X0, X0
	VCVTDQ2PD X0, Y0
	VMULPD Y5, Y0, Y0
	VMOVUPD X0, (DI)
	VEXTRACTF128 $1, Y0, (R8)
	ADDQ DX, SI
	ADDQ R9, DI
	ADDQ R9, R8
	DECQ CX
	JNZ  fours
	VZEROUPPER
	RET

// func packAVX2(raw *byte, left, right *float64, fours int, k *packConstants) (rest int)
//
// It ends ahead of four frames of which a sample has no code, and returns how many
// fours are left.
TEXT ·packAVX2(SB), NOSPLIT, $0-48
	MOVQ raw+0(FP), DI
	MOVQ left+8(FP), SI
	MOVQ right+16(FP), R8
	MOVQ fours+24(FP), CX
	MOVQ k+32(FP), BX
	VBROADCASTSD (BX), Y15      // scale
	VBROADCASTSD 8(BX), Y14     // magic
	VPBROADCASTQ 16(BX), Y13    // bias
	VPBROADCASTQ 24(BX), Y12    // bits of what has no code
	VPBROADCASTQ 32(BX), Y11    // the code 0
	VPBROADCASTQ 40(BX), Y10    // bits of a container
	VMOVQ 48(BX), X9            // shift of a code
	VMOVQ 56(BX), X8            // shift of the second channel
	MOVQ 64(BX), DX             // bytes of two frames
	VBROADCASTI128 72(BX), Y7   // order of their bytes

fours:
	VMULPD (SI), Y15, Y0
	VMULPD (R8), Y15, Y1
	VADDPD Y14, Y0, Y0
	VADDPD Y14, Y1, Y1
	VPSUBQ Y13, Y0, Y0
	VPSUBQ Y13, Y1, Y1
	VPOR   Y1, Y0, Y2
	VPTEST Y12, Y2
	JNZ  done
	VPSUBQ Y11, Y0, Y0
	VPSUBQ Y11, Y1, Y1
	VPSLLQ X9, Y0, Y0
	VPSLLQ X9, Y1, Y1
	VPAND  Y10, Y0, Y0
	VPSLLQ X8, Y1, Y1           // what lies beyond its container is not stored
	VPOR   Y1, Y0, Y0
	VPSHUFB Y7, Y0, Y0
	VMOVDQU X0, (DI)
	VEXTRACTI128 $1, Y0, X0
	VMOVDQU X0, (DI)(DX*1)
	LEAQ (DI)(DX*2), DI
	ADDQ $32, SI
	ADDQ $32, R8
	DECQ CX
	JNZ  fours

done:
	VZEROUPPER
	MOVQ CX, rest+40(FP)
	RET
