//go:build !purego

#include "textflag.h"

DATA magnitude<>+0(SB)/8, $0x7fffffffffffffff
GLOBL magnitude<>(SB), RODATA|NOPTR, $8

// A tap at o bytes in four successive windows: Y4 is the sum and Y5 the difference of
// the samples at its distance, early and late; Y0 to Y3 are e0, o0, e1, o1.
#define TAP(o, early, late) \
	VMOVUPD      late(R12), Y7      \
	VMOVUPD      early(R11), Y6     \
	VADDPD       Y7, Y6, Y4         \
	VSUBPD       Y7, Y6, Y5         \
	VBROADCASTSD (o+0)(R13), Y8     \
	VMULPD       Y4, Y8, Y8         \
	VADDPD       Y8, Y0, Y0         \
	VBROADCASTSD (o+8)(R13), Y9     \
	VMULPD       Y5, Y9, Y9         \
	VADDPD       Y9, Y1, Y1         \
	VBROADCASTSD (o+16)(R13), Y10   \
	VMULPD       Y4, Y10, Y10       \
	VADDPD       Y10, Y2, Y2        \
	VBROADCASTSD (o+24)(R13), Y11   \
	VMULPD       Y5, Y11, Y11       \
	VADDPD       Y11, Y3, Y3

// func readingsAVX(taps *[4]float64, half, groups int, x, out *float64, fours int)
TEXT ·readingsAVX(SB), NOSPLIT, $0-48
	MOVQ taps+0(FP), SI
	MOVQ half+8(FP), BX
	MOVQ groups+16(FP), R8
	MOVQ x+24(FP), DI
	MOVQ out+32(FP), DX
	MOVQ fours+40(FP), CX
	VBROADCASTSD magnitude<>(SB), Y15
	LEAQ -8(DI)(BX*8), R9  // the sample before the middle of the first interval
	LEAQ (DI)(BX*8), R10   // and the one behind it

windows:
	VXORPD Y14, Y14, Y14 // the largest so far
	MOVQ   SI, R13
	MOVQ   R8, AX

groups:
	VXORPD Y0, Y0, Y0
	VXORPD Y1, Y1, Y1
	VXORPD Y2, Y2, Y2
	VXORPD Y3, Y3, Y3
	MOVQ   R9, R11
	MOVQ   R10, R12
	MOVQ   BX, DI
	SHRQ   $1, DI
	JZ     odd

taps:
	TAP(0, 0, 0)
	TAP(32, -8, 8)
	ADDQ $64, R13
	SUBQ $16, R11
	ADDQ $16, R12
	DECQ DI
	JNZ  taps

odd:
	TESTQ $1, BX
	JZ    done
	TAP(0, 0, 0)
	ADDQ  $32, R13

done:
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
