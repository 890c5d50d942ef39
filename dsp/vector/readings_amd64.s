//go:build !purego

#include "textflag.h"

// The samples of a tap in four successive windows: Y4 is the sum and Y5 the
// difference of those at its distance, early and late.
#define SAMPLES(early, late) \
	VMOVUPD early(R11), Y6 \
	VMOVUPD late(R12), Y7  \
	VADDPD  Y7, Y6, Y4     \
	VSUBPD  Y7, Y6, Y5

// A tap at o bytes; Y0 to Y3 are e0, o0, e1, o1.
#define TAP(o, early, late) \
	SAMPLES(early, late)           \
	VBROADCASTSD (o+0)(R13), Y8    \
	VBROADCASTSD (o+8)(R13), Y9    \
	VBROADCASTSD (o+16)(R13), Y10  \
	VBROADCASTSD (o+24)(R13), Y11  \
	VMULPD       Y4, Y8, Y8        \
	VMULPD       Y5, Y9, Y9        \
	VMULPD       Y4, Y10, Y10      \
	VMULPD       Y5, Y11, Y11      \
	VADDPD       Y8, Y0, Y0        \
	VADDPD       Y9, Y1, Y1        \
	VADDPD       Y10, Y2, Y2       \
	VADDPD       Y11, Y3, Y3

// The first tap, with nothing to add to.
#define FIRST \
	SAMPLES(0, 0)               \
	VBROADCASTSD 0(R13), Y8     \
	VBROADCASTSD 8(R13), Y9     \
	VBROADCASTSD 16(R13), Y10   \
	VBROADCASTSD 24(R13), Y11   \
	VMULPD       Y4, Y8, Y0     \
	VMULPD       Y5, Y9, Y1     \
	VMULPD       Y4, Y10, Y2    \
	VMULPD       Y5, Y11, Y3

// func readingsSIMD(taps *[4]float64, half, groups int, x, out *float64, fours int)
TEXT ·readingsSIMD(SB), NOSPLIT, $0-48
	MOVQ taps+0(FP), SI
	MOVQ half+8(FP), BX
	MOVQ groups+16(FP), R8
	MOVQ x+24(FP), DI
	MOVQ out+32(FP), DX
	MOVQ fours+40(FP), CX
	VBROADCASTSD ·withoutSign(SB), Y15
	LEAQ -8(DI)(BX*8), R9  // the sample before the middle of the first interval
	LEAQ (DI)(BX*8), R10   // and the one behind it

windows:
	VXORPD Y14, Y14, Y14 // the largest so far
	MOVQ   SI, R13
	MOVQ   R8, AX

groups:
	MOVQ R9, R11
	MOVQ R10, R12
	FIRST
	MOVQ BX, DI
	SHRQ $1, DI // pairs of taps behind the first, and one tap if Half is even
	TESTQ $1, BX
	JNZ  pairs
	TAP(32, -8, 8)
	ADDQ $32, R13
	SUBQ $8, R11
	ADDQ $8, R12
	DECQ DI

pairs:
	TESTQ DI, DI
	JZ   done

taps:
	TAP(32, -8, 8)
	TAP(64, -16, 16)
	ADDQ $64, R13
	SUBQ $16, R11
	ADDQ $16, R12
	DECQ DI
	JNZ  taps

done:
	ADDQ   $32, R13
	VANDPD Y15, Y0, Y0
	VANDPD Y15, Y1, Y1
	VANDPD Y15, Y2, Y2
	VANDPD Y15, Y3, Y3
	VADDPD Y1, Y0, Y0
	VADDPD Y3, Y2, Y2
	VMAXPD Y14, Y0, Y14 // of a NaN and the largest: the largest
	VMAXPD Y14, Y2, Y14
	DECQ   AX
	JNZ    groups
	VMOVUPD Y14, (DX)
	ADDQ $32, R9
	ADDQ $32, R10
	ADDQ $32, DX
	DECQ CX
	JNZ  windows
	VZEROUPPER
	RET

// A tap of the bounds of eight windows, at o bytes; Y0 and Y2, and Y1 and Y3, are
// their sums.
#define BOUND(o, early, late) \
	SAMPLES(early, late)             \
	VMOVUPD      (early+32)(R11), Y6 \
	VMOVUPD      (late+32)(R12), Y7  \
	VADDPD       Y7, Y6, Y10         \
	VSUBPD       Y7, Y6, Y11         \
	VBROADCASTSD (o+0)(R13), Y8      \
	VBROADCASTSD (o+8)(R13), Y9      \
	VANDPD       Y15, Y4, Y4         \
	VANDPD       Y15, Y5, Y5         \
	VANDPD       Y15, Y10, Y10       \
	VANDPD       Y15, Y11, Y11       \
	VMULPD       Y4, Y8, Y4          \
	VMULPD       Y5, Y9, Y5          \
	VMULPD       Y10, Y8, Y10        \
	VMULPD       Y11, Y9, Y11        \
	VADDPD       Y4, Y0, Y0          \
	VADDPD       Y5, Y1, Y1          \
	VADDPD       Y10, Y2, Y2         \
	VADDPD       Y11, Y3, Y3

// func boundsSIMD(most *[2]float64, near, half int, x, out *float64, eights int, enough float64)
TEXT ·boundsSIMD(SB), NOSPLIT, $0-56
	MOVQ most+0(FP), SI
	MOVQ near+8(FP), R8
	MOVQ half+16(FP), BX
	MOVQ x+24(FP), DI
	MOVQ out+32(FP), DX
	MOVQ eights+40(FP), CX
	VBROADCASTSD enough+48(FP), Y14
	VBROADCASTSD ·withoutSign(SB), Y15
	LEAQ -8(DI)(BX*8), R9
	LEAQ (DI)(BX*8), R10
	SUBQ R8, BX

windows:
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	MOVQ   SI, R13
	MOVQ   R9, R11
	MOVQ   R10, R12
	MOVQ   R8, DI

near:
	BOUND(0, 0, 0)
	ADDQ $16, R13
	SUBQ $8, R11
	ADDQ $8, R12
	DECQ DI
	JNZ  near
	VADDPD    Y1, Y0, Y12
	VADDPD    Y3, Y2, Y13
	VCMPPD    $6, Y14, Y12, Y4 // not at most: of a NaN too
	VCMPPD    $6, Y14, Y13, Y5
	VORPD     Y5, Y4, Y4
	VMOVMSKPD Y4, AX
	TESTL     AX, AX
	JZ        store
	MOVQ      BX, DI

taps:
	BOUND(0, 0, 0)
	ADDQ $16, R13
	SUBQ $8, R11
	ADDQ $8, R12
	DECQ DI
	JNZ  taps
	VADDPD Y1, Y0, Y12
	VADDPD Y3, Y2, Y13

store:
	VMOVUPD Y12, (DX)
	VMOVUPD Y13, 32(DX)
	ADDQ    $64, R9
	ADDQ    $64, R10
	ADDQ    $64, DX
	DECQ    CX
	JNZ     windows
	VZEROUPPER
	RET
