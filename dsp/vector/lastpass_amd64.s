//go:build !purego

#include "textflag.h"

// Adds the squares of re and im, which it changes, to the sums at p.
#define SQUARES(re, im, p) \
	VMULPD  re, re, re \
	VMULPD  im, im, im \
	VADDPD  im, re, re \
	VADDPD  p, re, re  \
	VMOVUPD re, p

// func squaresByFourAVX(sums, re, im *float64, quarter int)
TEXT ·squaresByFourAVX(SB), NOSPLIT, $0-32
	MOVQ sums+0(FP), R8
	MOVQ re+8(FP), SI
	MOVQ im+16(FP), DI
	MOVQ quarter+24(FP), CX
	SHLQ $3, CX
	MOVQ CX, DX
	LEAQ (DX)(DX*2), R10

four:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(DX*1), Y1
	VMOVUPD (SI)(DX*2), Y2
	VMOVUPD (SI)(R10*1), Y3
	VMOVUPD (DI), Y4
	VMOVUPD (DI)(DX*1), Y5
	VMOVUPD (DI)(DX*2), Y6
	VMOVUPD (DI)(R10*1), Y7
	VADDPD  Y2, Y0, Y8
	VSUBPD  Y2, Y0, Y0
	VADDPD  Y6, Y4, Y9
	VSUBPD  Y6, Y4, Y4
	VADDPD  Y3, Y1, Y10
	VSUBPD  Y3, Y1, Y1
	VADDPD  Y7, Y5, Y11
	VSUBPD  Y7, Y5, Y5
	VADDPD  Y10, Y8, Y2
	VADDPD  Y11, Y9, Y3
	SQUARES(Y2, Y3, (R8))
	VADDPD  Y5, Y0, Y2
	VSUBPD  Y1, Y4, Y3
	SQUARES(Y2, Y3, (R8)(DX*1))
	VSUBPD  Y10, Y8, Y2
	VSUBPD  Y11, Y9, Y3
	SQUARES(Y2, Y3, (R8)(DX*2))
	VSUBPD  Y5, Y0, Y2
	VADDPD  Y1, Y4, Y3
	SQUARES(Y2, Y3, (R8)(R10*1))
	ADDQ $32, SI
	ADDQ $32, DI
	ADDQ $32, R8
	SUBQ $32, CX
	JNZ  four
	VZEROUPPER
	RET

// func squaresByTwoAVX(sums, re, im *float64, half int)
TEXT ·squaresByTwoAVX(SB), NOSPLIT, $0-32
	MOVQ sums+0(FP), R8
	MOVQ re+8(FP), SI
	MOVQ im+16(FP), DI
	MOVQ half+24(FP), CX
	SHLQ $3, CX
	MOVQ CX, DX

two:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(DX*1), Y1
	VMOVUPD (DI), Y2
	VMOVUPD (DI)(DX*1), Y3
	VADDPD  Y1, Y0, Y4
	VADDPD  Y3, Y2, Y5
	SQUARES(Y4, Y5, (R8))
	VSUBPD  Y1, Y0, Y4
	VSUBPD  Y3, Y2, Y5
	SQUARES(Y4, Y5, (R8)(DX*1))
	ADDQ $32, SI
	ADDQ $32, DI
	ADDQ $32, R8
	SUBQ $32, CX
	JNZ  two
	VZEROUPPER
	RET

// func lastByTwoAVX(to, from *float64, half int)
TEXT ·lastByTwoAVX(SB), NOSPLIT, $0-24
	MOVQ to+0(FP), R8
	MOVQ from+8(FP), SI
	MOVQ half+16(FP), CX
	SHLQ $3, CX
	MOVQ CX, DX

two:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(DX*1), Y1
	VADDPD  Y1, Y0, Y2
	VSUBPD  Y1, Y0, Y3
	VMOVUPD Y2, (R8)
	VMOVUPD Y3, (R8)(DX*1)
	ADDQ $32, SI
	ADDQ $32, R8
	SUBQ $32, CX
	JNZ  two
	VZEROUPPER
	RET
