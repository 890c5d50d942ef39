//go:build !purego

#include "textflag.h"

// func coarsenAVX2(x *float64, scale float64, pairs, swapped *uint32, fours int)
TEXT ·coarsenAVX2(SB), NOSPLIT, $0-40
	MOVQ         x+0(FP), SI
	VBROADCASTSD scale+8(FP), Y15
	MOVQ         pairs+16(FP), DI
	MOVQ         swapped+24(FP), DX
	MOVQ         fours+32(FP), CX

four:
	VMULPD      (SI), Y15, Y0
	VMULPD      8(SI), Y15, Y1
	VCVTPD2DQY  Y0, X0
	VCVTPD2DQY  Y1, X1
	VPSLLD      $16, X1, X2
	VPSLLD      $16, X0, X3
	VPBLENDW    $0xaa, X2, X0, X2 // first, second
	VPBLENDW    $0xaa, X3, X1, X3 // second, first
	VMOVDQU     X2, (DI)
	VMOVDQU     X3, (DX)
	ADDQ        $32, SI
	ADDQ        $16, DI
	ADDQ        $16, DX
	DECQ        CX
	JNZ         four
	VZEROUPPER
	RET

// Products of two taps at o bytes with the pairs of the first eight windows and of the
// others, added to their sums.
#define PRODUCTS(o, first, second, a, b) \
	VPBROADCASTD o(R13), Y8     \
	VPMADDWD     first, Y8, Y9  \
	VPMADDWD     second, Y8, Y8 \
	VPADDD       Y9, a, a       \
	VPADDD       Y8, b, b

// func coarseSIMD(taps *[4][2]int16, half, groups int, late, early *uint32, step int, out *int32, times, apart int)
TEXT ·coarseSIMD(SB), NOSPLIT, $0-72
	MOVQ  half+8(FP), BX
	MOVQ  late+24(FP), R9
	MOVQ  early+32(FP), R10
	MOVQ  step+40(FP), DI // bytes between two taps
	MOVQ  out+48(FP), DX
	MOVQ  times+56(FP), SI
	MOVQ  apart+64(FP), AX // bytes between 16 windows and the next 16

windows:
	MOVQ  taps+0(FP), R13
	MOVQ  groups+16(FP), R8
	VPXOR Y14, Y14, Y14 // the largest so far, of the first eight windows
	VPXOR Y15, Y15, Y15 // and of the others

groups:
	VPXOR Y0, Y0, Y0
	VPXOR Y1, Y1, Y1
	VPXOR Y2, Y2, Y2
	VPXOR Y3, Y3, Y3
	VPXOR Y4, Y4, Y4
	VPXOR Y5, Y5, Y5
	VPXOR Y6, Y6, Y6
	VPXOR Y7, Y7, Y7
	MOVQ  R9, R11
	MOVQ  R10, R12
	MOVQ  BX, CX

taps:
	VMOVDQU (R11), Y8
	VMOVDQU (R12), Y9
	VPADDW  Y8, Y9, Y10
	VPSUBW  Y8, Y9, Y11
	VMOVDQU 32(R11), Y8
	VMOVDQU 32(R12), Y9
	VPADDW  Y8, Y9, Y12
	VPSUBW  Y8, Y9, Y13
	PRODUCTS(0, Y10, Y12, Y0, Y4)
	PRODUCTS(4, Y11, Y13, Y1, Y5)
	PRODUCTS(8, Y10, Y12, Y2, Y6)
	PRODUCTS(12, Y11, Y13, Y3, Y7)
	ADDQ    $16, R13
	ADDQ    DI, R11
	SUBQ    DI, R12
	DECQ    CX
	JNZ     taps

	VPABSD  Y0, Y0
	VPABSD  Y1, Y1
	VPABSD  Y2, Y2
	VPABSD  Y3, Y3
	VPABSD  Y4, Y4
	VPABSD  Y5, Y5
	VPABSD  Y6, Y6
	VPABSD  Y7, Y7
	VPADDD  Y1, Y0, Y0
	VPADDD  Y3, Y2, Y2
	VPADDD  Y5, Y4, Y4
	VPADDD  Y7, Y6, Y6
	VPMAXSD Y0, Y14, Y14
	VPMAXSD Y2, Y14, Y14
	VPMAXSD Y4, Y15, Y15
	VPMAXSD Y6, Y15, Y15
	DECQ    R8
	JNZ     groups
	VMOVDQU Y14, (DX)
	VMOVDQU Y15, 32(DX)
	ADDQ    $64, DX
	ADDQ    AX, R9
	ADDQ    AX, R10
	DECQ    SI
	JNZ     windows
	VZEROUPPER
	RET

// func aboveAVX2(r *CoarseReadings, level int32) uint32
TEXT ·aboveAVX2(SB), NOSPLIT, $0-20
	MOVQ         r+0(FP), SI
	MOVL         level+8(FP), AX
	VMOVD        AX, X2
	VPBROADCASTD X2, Y2
	VMOVDQU      (SI), Y0
	VMOVDQU      32(SI), Y1
	VPCMPGTD     Y2, Y0, Y0
	VPCMPGTD     Y2, Y1, Y1
	VMOVMSKPS    Y0, AX
	VMOVMSKPS    Y1, BX
	SHLL         $8, BX
	ORL          BX, AX
	MOVL         AX, ret+16(FP)
	VZEROUPPER
	RET

// func largestAVX2(r *int32, eights int) int32
TEXT ·largestAVX2(SB), NOSPLIT, $0-20
	MOVQ    r+0(FP), SI
	MOVQ    eights+8(FP), CX
	VMOVDQU (SI), Y0

eights:
	VPMAXSD (SI), Y0, Y0
	ADDQ    $32, SI
	DECQ    CX
	JNZ     eights
	VEXTRACTI128 $1, Y0, X1
	VPMAXSD      X1, X0, X0
	VPSHUFD      $0x4e, X0, X1
	VPMAXSD      X1, X0, X0
	VPSHUFD      $0xb1, X0, X1
	VPMAXSD      X1, X0, X0
	VMOVD        X0, AX
	MOVL         AX, ret+16(FP)
	VZEROUPPER
	RET

// Products of two taps with the sums of both sides of 16 windows, added to theirs.
#define MIDDLES(tap, late, early, a, b) \
	VMOVDQU      late(R11), Y8           \
	VMOVDQU      (late+32)(R11), Y9      \
	VPADDW       early(R12), Y8, Y8      \
	VPADDW       (early+32)(R12), Y9, Y9 \
	VPBROADCASTD tap(R13), Y10           \
	VPMADDWD     Y10, Y8, Y8             \
	VPMADDWD     Y10, Y9, Y9             \
	VPADDD       Y8, a, a                \
	VPADDD       Y9, b, b

// Of eight sums it stores their magnitudes, and rounded they are the middles: sample and middle,
// the same swapped, middle and next sample, the same swapped. SI has this sample and the next
// one, DI the same swapped.
#define STORE(o, sum) \
	VPABSD    sum, Y4             \
	VPADDD    Y15, sum, sum       \
	VPSRAD    $15, sum, sum       \
	VPSLLD    $16, sum, Y5        \
	VMOVDQU   o(SI), Y6           \
	VMOVDQU   o(DI), Y7           \
	VPBLENDW  $0xaa, Y5, Y6, Y8   \
	VPBLENDW  $0xaa, Y7, sum, Y9  \
	VPBLENDW  $0xaa, Y6, sum, Y10 \
	VPBLENDW  $0xaa, Y5, Y7, Y11  \
	VMOVDQU   Y4, o(AX)           \
	VMOVDQU   Y8, o(R8)           \
	VMOVDQU   Y9, o(R9)           \
	VMOVDQU   Y10, o(R10)         \
	VMOVDQU   Y11, o(DX)

// func middlesSIMD(taps *[2]int16, fours int, late, early *uint32, to *middlesTo)
TEXT ·middlesSIMD(SB), NOSPLIT, $0-40
	MOVQ  taps+0(FP), R13
	MOVQ  fours+8(FP), CX
	MOVQ  late+16(FP), R11
	MOVQ  early+24(FP), R12
	MOVQ  to+32(FP), BX
	VPXOR Y0, Y0, Y0
	VPXOR Y1, Y1, Y1
	VPXOR Y2, Y2, Y2
	VPXOR Y3, Y3, Y3

taps:
	MIDDLES(0, 0, 0, Y0, Y1)
	MIDDLES(4, 8, -8, Y2, Y3)
	ADDQ  $8, R13
	ADDQ  $16, R11
	SUBQ  $16, R12
	DECQ  CX
	JNZ   taps
	VPADDD Y2, Y0, Y0
	VPADDD Y3, Y1, Y1
	VPCMPEQD Y15, Y15, Y15
	VPSRLD $31, Y15, Y15
	VPSLLD $14, Y15, Y15
	MOVQ  0(BX), SI
	MOVQ  8(BX), DI
	MOVQ  16(BX), R8
	MOVQ  24(BX), R9
	MOVQ  32(BX), R10
	MOVQ  40(BX), DX
	MOVQ  48(BX), AX
	STORE(0, Y0)
	STORE(32, Y1)
	VZEROUPPER
	RET
