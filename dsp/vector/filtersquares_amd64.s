//go:build !purego

#include "textflag.h"
#include "sections_amd64.h"
#include "lanes_amd64.h"

// func squaresPairAVX(x, y *float64, group int, k *Section, state *State, sums *GroupSquares, groups int)
TEXT ·squaresPairAVX(SB), NOSPLIT, $80-56
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ k+24(FP), BX
	MOVQ state+32(FP), R8
	MOVQ sums+40(FP), R10
	MOVQ groups+48(FP), R11
	SPREAD(0, BX, 0)
	LOADSTATES(R8, X4, X5)

groups:
	MOVQ   group+16(FP), CX
	VXORPD X6, X6, X6
	VXORPD X7, X7, X7

frames:
	LOADFRAME
	ADDQ   $8, SI
	ADDQ   $8, DI
	SECTION(0, X4, X5)
	VMULPD X0, X0, X0
	VADDPD X0, X6, X6
	VADDPD X6, X7, X7
	DECQ   CX
	JNZ    frames
	VMOVUPD X6, (R10)
	VMOVUPD X7, 16(R10)
	ADDQ    $32, R10
	DECQ    R11
	JNZ     groups
	STORESTATES(R8, X4, X5)
	RET

// The second section's squares of a frame.
#define SQUARES(y) \
	VMULPD y, y, Y1   \
	VADDPD Y1, Y6, Y6 \
	VADDPD Y6, Y7, Y7

// The first section's last two frames.
#define FILTERED \
	VUNPCKLPD X9, X8, X0     \
	VUNPCKHPD X9, X8, X1     \
	VMOVUPD   X0, -16(SI)    \
	VMOVUPD   X1, -16(DI)

// The second section is two frames behind the first. Before and after these, only one of
// them has a frame; the other keeps its state.
//
// func filterSquaresAVX(x, y *float64, group int, first, second *Section, firstState, secondState *State, sums *GroupSquares, groups int)
TEXT ·filterSquaresAVX(SB), NOSPLIT, $192-72
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ first+24(FP), BX
	MOVQ second+32(FP), DX
	MOVQ firstState+40(FP), R8
	MOVQ secondState+48(FP), R9
	MOVQ sums+56(FP), R10
	MOVQ groups+64(FP), R11
	LEAQ 31(SP), R12
	ANDQ $~31, R12
	ROW(0, BX, DX, 0)
	ROW(8, BX, DX, 32)
	ROW(16, BX, DX, 64)
	ROW(24, BX, DX, 96)
	ROW(32, BX, DX, 128)
	TAKE(R8, R9, Y4, Y5, X4, X5)
	VXORPD Y8, Y8, Y8
	VXORPD Y9, Y9, Y9
	FRAMES
	FIRST(Y12, X8)
	SOMELANES(0, 12, Y0, Y4, Y5, Y8)
	FIRST(Y13, X9)
	SOMELANES(0, 12, Y0, Y4, Y5, Y9)
	FILTERED

groups:
	MOVQ   group+16(FP), CX
	SHRQ   $1, CX
	VXORPD Y6, Y6, Y6
	VXORPD Y7, Y7, Y7
	CMPQ   R11, $1
	JNE    frames
	DECQ   CX

frames:
	FRAMES
	FIRST(Y12, X8)
	LANES(0, Y0, Y4, Y5, Y8)
	SQUARES(Y8)
	FIRST(Y13, X9)
	LANES(0, Y0, Y4, Y5, Y9)
	SQUARES(Y9)
	FILTERED
	DECQ CX
	JNZ  frames
	CMPQ R11, $1
	JNE  store
	FIRST(Y12, X8)
	SOMELANES(0, 3, Y0, Y4, Y5, Y8)
	SQUARES(Y8)
	FIRST(Y13, X9)
	SOMELANES(0, 3, Y0, Y4, Y5, Y9)
	SQUARES(Y9)

store:
	VEXTRACTF128 $1, Y6, (R10)
	VEXTRACTF128 $1, Y7, 16(R10)
	ADDQ         $32, R10
	DECQ         R11
	JNZ          groups
	LEAVE(R8, R9, Y4, Y5, X4, X5)
	VZEROUPPER
	RET
