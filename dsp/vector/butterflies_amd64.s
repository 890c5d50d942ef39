//go:build !purego

#include "textflag.h"

// The sums of a butterfly of four complex numbers, a to d with the real parts in Y0 to
// Y3 and the imaginary parts in Y4 to Y7. Into Y8, Y9 goes the first result, into Y2, Y6
// the third before its turn; in Y0, Y4 stays a − c, in Y1, Y5 b − d.
#define SUMS \
	VADDPD Y2, Y0, Y8 \
	VSUBPD Y2, Y0, Y0 \
	VADDPD Y3, Y1, Y9 \
	VSUBPD Y3, Y1, Y1 \
	VSUBPD Y9, Y8, Y2 \
	VADDPD Y9, Y8, Y8 \
	VADDPD Y6, Y4, Y3 \
	VSUBPD Y6, Y4, Y4 \
	VADDPD Y7, Y5, Y9 \
	VSUBPD Y7, Y5, Y5 \
	VSUBPD Y9, Y3, Y6 \
	VADDPD Y9, Y3, Y9

// func byFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *Turns, stride, groups int)
TEXT ·byFourAVX(SB), NOSPLIT, $0-56
	MOVQ toRe+0(FP), R8
	MOVQ toIm+8(FP), R9
	MOVQ fromRe+16(FP), SI
	MOVQ fromIm+24(FP), DI
	MOVQ turns+32(FP), BX
	MOVQ stride+40(FP), CX
	MOVQ groups+48(FP), AX
	SHLQ $3, CX             // bytes of a row
	MOVQ CX, DX
	IMULQ AX, DX            // of a quarter
	LEAQ (DX)(DX*2), R10
	LEAQ (CX)(CX*2), R11

groups:
	VBROADCASTSD (BX), Y10
	VBROADCASTSD 8(BX), Y11
	VBROADCASTSD 16(BX), Y12
	VBROADCASTSD 24(BX), Y13
	VBROADCASTSD 32(BX), Y14
	VBROADCASTSD 40(BX), Y15
	ADDQ $48, BX
	MOVQ CX, R12

row:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(DX*1), Y1
	VMOVUPD (SI)(DX*2), Y2
	VMOVUPD (SI)(R10*1), Y3
	VMOVUPD (DI), Y4
	VMOVUPD (DI)(DX*1), Y5
	VMOVUPD (DI)(DX*2), Y6
	VMOVUPD (DI)(R10*1), Y7
	SUMS
	VMOVUPD Y8, (R8)
	VMOVUPD Y9, (R9)
	VMULPD  Y12, Y2, Y8
	VMULPD  Y13, Y6, Y9
	VSUBPD  Y9, Y8, Y8
	VMOVUPD Y8, (R8)(CX*2)
	VMULPD  Y13, Y2, Y8
	VMULPD  Y12, Y6, Y9
	VADDPD  Y9, Y8, Y8
	VMOVUPD Y8, (R9)(CX*2)
	VADDPD  Y5, Y0, Y2
	VSUBPD  Y1, Y4, Y6
	VSUBPD  Y5, Y0, Y0
	VADDPD  Y1, Y4, Y4
	VMULPD  Y10, Y2, Y8
	VMULPD  Y11, Y6, Y9
	VSUBPD  Y9, Y8, Y8
	VMOVUPD Y8, (R8)(CX*1)
	VMULPD  Y11, Y2, Y8
	VMULPD  Y10, Y6, Y9
	VADDPD  Y9, Y8, Y8
	VMOVUPD Y8, (R9)(CX*1)
	VMULPD  Y14, Y0, Y8
	VMULPD  Y15, Y4, Y9
	VSUBPD  Y9, Y8, Y8
	VMOVUPD Y8, (R8)(R11*1)
	VMULPD  Y15, Y0, Y8
	VMULPD  Y14, Y4, Y9
	VADDPD  Y9, Y8, Y8
	VMOVUPD Y8, (R9)(R11*1)
	ADDQ $32, SI
	ADDQ $32, DI
	ADDQ $32, R8
	ADDQ $32, R9
	SUBQ $32, R12
	JNZ  row
	ADDQ R11, R8
	ADDQ R11, R9
	DECQ AX
	JNZ  groups
	VZEROUPPER
	RET

// Four numbers each of four rows in r0 to r3 become four rows of one number each, at p.
#define TRANSPOSED(r0, r1, r2, r3, t0, t1, p) \
	VUNPCKLPD  r1, r0, t0      \
	VUNPCKHPD  r1, r0, t1      \
	VUNPCKLPD  r3, r2, r0      \
	VUNPCKHPD  r3, r2, r1      \
	VPERM2F128 $0x20, r0, t0, r2 \
	VMOVUPD    r2, (p)         \
	VPERM2F128 $0x20, r1, t1, r2 \
	VMOVUPD    r2, 32(p)       \
	VPERM2F128 $0x31, r0, t0, r2 \
	VMOVUPD    r2, 64(p)       \
	VPERM2F128 $0x31, r1, t1, r2 \
	VMOVUPD    r2, 96(p)

// func firstByFourAVX(toRe, toIm, fromRe, fromIm *float64, turns *[6]*float64, quarter int)
TEXT ·firstByFourAVX(SB), NOSPLIT, $0-48
	MOVQ toRe+0(FP), R8
	MOVQ toIm+8(FP), R9
	MOVQ fromRe+16(FP), SI
	MOVQ fromIm+24(FP), DI
	MOVQ turns+32(FP), BX
	MOVQ quarter+40(FP), CX
	SHLQ $3, CX
	MOVQ CX, DX
	LEAQ (DX)(DX*2), R10
	MOVQ (BX), AX
	MOVQ 8(BX), R11
	MOVQ 16(BX), R12
	MOVQ 24(BX), R13
	MOVQ 40(BX), R15
	MOVQ 32(BX), BX

fours:
	VMOVUPD (SI), Y0
	VMOVUPD (SI)(DX*1), Y1
	VMOVUPD (SI)(DX*2), Y2
	VMOVUPD (SI)(R10*1), Y3
	VMOVUPD (DI), Y4
	VMOVUPD (DI)(DX*1), Y5
	VMOVUPD (DI)(DX*2), Y6
	VMOVUPD (DI)(R10*1), Y7
	SUMS
	VMULPD (R12), Y2, Y10
	VMULPD (R13), Y6, Y3
	VSUBPD Y3, Y10, Y10 // the real part of the third
	VMULPD (R13), Y2, Y11
	VMULPD (R12), Y6, Y3
	VADDPD Y3, Y11, Y11
	VADDPD Y5, Y0, Y2
	VSUBPD Y1, Y4, Y6
	VSUBPD Y5, Y0, Y0
	VADDPD Y1, Y4, Y4
	VMULPD (AX), Y2, Y12
	VMULPD (R11), Y6, Y3
	VSUBPD Y3, Y12, Y12 // of the second
	VMULPD (R11), Y2, Y13
	VMULPD (AX), Y6, Y3
	VADDPD Y3, Y13, Y13
	VMULPD (BX), Y0, Y14
	VMULPD (R15), Y4, Y3
	VSUBPD Y3, Y14, Y14 // of the fourth
	VMULPD (R15), Y0, Y15
	VMULPD (BX), Y4, Y3
	VADDPD Y3, Y15, Y15
	TRANSPOSED(Y8, Y12, Y10, Y14, Y0, Y1, R8)
	TRANSPOSED(Y9, Y13, Y11, Y15, Y2, Y3, R9)
	ADDQ $32, SI
	ADDQ $32, DI
	ADDQ $32, AX
	ADDQ $32, R11
	ADDQ $32, R12
	ADDQ $32, R13
	ADDQ $32, BX
	ADDQ $32, R15
	ADDQ $128, R8
	ADDQ $128, R9
	SUBQ $32, CX
	JNZ  fours
	VZEROUPPER
	RET

// func splitAVX(re, im, x *float64, fours int)
TEXT ·splitAVX(SB), NOSPLIT, $0-32
	MOVQ re+0(FP), R8
	MOVQ im+8(FP), R9
	MOVQ x+16(FP), SI
	MOVQ fours+24(FP), CX

fours:
	VMOVUPD    (SI), Y0
	VMOVUPD    32(SI), Y1
	VPERM2F128 $0x20, Y1, Y0, Y2
	VPERM2F128 $0x31, Y1, Y0, Y3
	VUNPCKLPD  Y3, Y2, Y0
	VUNPCKHPD  Y3, Y2, Y1
	VMOVUPD    Y0, (R8)
	VMOVUPD    Y1, (R9)
	ADDQ $64, SI
	ADDQ $32, R8
	ADDQ $32, R9
	DECQ CX
	JNZ  fours
	VZEROUPPER
	RET

// func splitWindowedAVX(re, im, window, x *float64, fours int)
TEXT ·splitWindowedAVX(SB), NOSPLIT, $0-40
	MOVQ re+0(FP), R8
	MOVQ im+8(FP), R9
	MOVQ window+16(FP), DI
	MOVQ x+24(FP), SI
	MOVQ fours+32(FP), CX

fours:
	VMOVUPD    (SI), Y0
	VMOVUPD    32(SI), Y1
	VMULPD     (DI), Y0, Y0
	VMULPD     32(DI), Y1, Y1
	VPERM2F128 $0x20, Y1, Y0, Y2
	VPERM2F128 $0x31, Y1, Y0, Y3
	VUNPCKLPD  Y3, Y2, Y0
	VUNPCKHPD  Y3, Y2, Y1
	VMOVUPD    Y0, (R8)
	VMOVUPD    Y1, (R9)
	ADDQ $64, SI
	ADDQ $64, DI
	ADDQ $32, R8
	ADDQ $32, R9
	DECQ CX
	JNZ  fours
	VZEROUPPER
	RET

DATA halves<>+0(SB)/8, $0.5
DATA halves<>+8(SB)/8, $0.5
DATA halves<>+16(SB)/8, $0.5
DATA halves<>+24(SB)/8, $0.5
GLOBL halves<>(SB), RODATA|NOPTR, $32

// The lanes of r in reverse order, without AVX2.
#define REVERSED(r) \
	VPERM2F128 $0x01, r, r, r \
	VSHUFPD    $0x05, r, r, r

// func unravelAVX(up, down *complex128, re, im, reDown, imDown, turnRe, turnIm *float64, fours int)
TEXT ·unravelAVX(SB), NOSPLIT, $0-72
	MOVQ up+0(FP), R8
	MOVQ down+8(FP), R9
	MOVQ re+16(FP), SI
	MOVQ im+24(FP), DI
	MOVQ reDown+32(FP), R10
	MOVQ imDown+40(FP), R11
	MOVQ turnRe+48(FP), AX
	MOVQ turnIm+56(FP), BX
	MOVQ fours+64(FP), CX
	VMOVUPD halves<>(SB), Y15

fours:
	VMOVUPD (SI), Y0
	VMOVUPD (DI), Y1
	VMOVUPD (R10), Y2
	VMOVUPD (R11), Y3
	REVERSED(Y2)
	REVERSED(Y3)
	VADDPD Y2, Y0, Y4
	VSUBPD Y3, Y1, Y5
	VADDPD Y3, Y1, Y6
	VSUBPD Y0, Y2, Y7
	VMULPD Y15, Y4, Y4 // of the even frames
	VMULPD Y15, Y5, Y5
	VMULPD Y15, Y6, Y6 // of the odd ones
	VMULPD Y15, Y7, Y7
	VMOVUPD (AX), Y8
	VMOVUPD (BX), Y9
	VMULPD Y8, Y6, Y0
	VMULPD Y9, Y7, Y1
	VSUBPD Y1, Y0, Y0
	VMULPD Y9, Y6, Y1
	VMULPD Y8, Y7, Y2
	VADDPD Y2, Y1, Y1
	VADDPD Y0, Y4, Y2
	VADDPD Y1, Y5, Y3
	VSUBPD Y0, Y4, Y4
	VSUBPD Y5, Y1, Y5
	VUNPCKLPD  Y3, Y2, Y0
	VUNPCKHPD  Y3, Y2, Y1
	VPERM2F128 $0x20, Y1, Y0, Y2
	VPERM2F128 $0x31, Y1, Y0, Y3
	VMOVUPD    Y2, (R8)
	VMOVUPD    Y3, 32(R8)
	VUNPCKLPD  Y5, Y4, Y0
	VUNPCKHPD  Y5, Y4, Y1
	VPERM2F128 $0x31, Y0, Y1, Y2
	VPERM2F128 $0x20, Y0, Y1, Y3
	VMOVUPD    Y2, (R9)
	VMOVUPD    Y3, 32(R9)
	ADDQ $64, R8
	SUBQ $64, R9
	ADDQ $32, SI
	ADDQ $32, DI
	SUBQ $32, R10
	SUBQ $32, R11
	ADDQ $32, AX
	ADDQ $32, BX
	DECQ CX
	JNZ  fours
	VZEROUPPER
	RET
