//go:build !purego

#include "textflag.h"
#include "sections_amd64.h"
#include "lanes_amd64.h"

// Two frames of the last section, which go to o bytes from the next that are read.
#define RESULTS(o) \
	VEXTRACTF128 $1, Y10, X0     \
	VEXTRACTF128 $1, Y11, X1     \
	VUNPCKLPD    X1, X0, X2      \
	VUNPCKHPD    X1, X0, X3      \
	VMOVUPD      X2, (o)(SI)     \
	VMOVUPD      X3, (o)(DI)

// What the last two take: what the sections before them put out two frames ago.
#define LAST(p, q) VPERM2F128 $0x21, q, p, Y1

// Four sections of two planes: the first two sections of both planes share the registers
// Y4, Y5 (states), Y8 and Y9 (outputs at even and odd frames), the last two Y6, Y7, Y10
// and Y11. Each section is two frames behind the one before it, so that none waits for
// another's result. At the ends only the sections that have a frame keep their states.
// frames is even and at least 8.
//
// func fourPairAVX(x, y *float64, frames int, k *Section, state0, state1, state2, state3 *State)
TEXT ·fourPairAVX(SB), NOSPLIT, $352-64
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ k+24(FP), BX
	LEAQ 31(SP), R12
	ANDQ $~31, R12
	LEAQ 40(BX), DX
	ROW(0, BX, DX, 0)
	ROW(8, BX, DX, 32)
	ROW(16, BX, DX, 64)
	ROW(24, BX, DX, 96)
	ROW(32, BX, DX, 128)
	ADDQ $80, BX
	LEAQ 40(BX), DX
	ROW(0, BX, DX, 160)
	ROW(8, BX, DX, 192)
	ROW(16, BX, DX, 224)
	ROW(24, BX, DX, 256)
	ROW(32, BX, DX, 288)
	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	MOVQ state2+48(FP), R10
	MOVQ state3+56(FP), R11
	TAKE(R8, R9, Y4, Y5, X4, X5)
	TAKE(R10, R11, Y6, Y7, X6, X7)

	// The first section alone, then two, then three.
	VXORPD Y8, Y8, Y8
	VXORPD Y9, Y9, Y9
	VXORPD Y10, Y10, Y10
	VXORPD Y11, Y11, Y11
	FRAMES
	FIRST(Y12, X8)
	SOMELANES(0, 12, Y0, Y4, Y5, Y8)
	FIRST(Y13, X9)
	SOMELANES(0, 12, Y0, Y4, Y5, Y9)
	FRAMES
	FIRST(Y12, X8)
	LANES(0, Y0, Y4, Y5, Y8)
	FIRST(Y13, X9)
	LANES(0, Y0, Y4, Y5, Y9)
	FRAMES
	LAST(Y8, Y10)
	SOMELANES(160, 12, Y1, Y6, Y7, Y10)
	FIRST(Y12, X8)
	LANES(0, Y0, Y4, Y5, Y8)
	LAST(Y9, Y11)
	SOMELANES(160, 12, Y1, Y6, Y7, Y11)
	FIRST(Y13, X9)
	LANES(0, Y0, Y4, Y5, Y9)
	SUBQ $6, CX
	SHRQ $1, CX

all:
	FRAMES
	LAST(Y8, Y10)
	FIRST(Y12, X8)
	LANES(0, Y0, Y4, Y5, Y8)
	LANES(160, Y1, Y6, Y7, Y10)
	LAST(Y9, Y11)
	FIRST(Y13, X9)
	LANES(0, Y0, Y4, Y5, Y9)
	LANES(160, Y1, Y6, Y7, Y11)
	RESULTS(-64)
	DECQ CX
	JNZ  all

	// All but the first section, then the last two, then the last.
	LAST(Y8, Y10)
	LANES(160, Y1, Y6, Y7, Y10)
	FIRST(Y12, X8)
	SOMELANES(0, 3, Y0, Y4, Y5, Y8)
	LAST(Y9, Y11)
	LANES(160, Y1, Y6, Y7, Y11)
	FIRST(Y13, X9)
	SOMELANES(0, 3, Y0, Y4, Y5, Y9)
	RESULTS(-48)
	LAST(Y8, Y10)
	LANES(160, Y1, Y6, Y7, Y10)
	LAST(Y9, Y11)
	LANES(160, Y1, Y6, Y7, Y11)
	RESULTS(-32)
	LAST(Y8, Y10)
	SOMELANES(160, 3, Y1, Y6, Y7, Y10)
	LAST(Y9, Y11)
	SOMELANES(160, 3, Y1, Y6, Y7, Y11)
	RESULTS(-16)

	MOVQ state0+32(FP), R8
	MOVQ state1+40(FP), R9
	LEAVE(R8, R9, Y4, Y5, X4, X5)
	LEAVE(R10, R11, Y6, Y7, X6, X7)
	VZEROUPPER
	RET
