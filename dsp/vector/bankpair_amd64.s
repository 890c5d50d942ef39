//go:build !purego

#include "textflag.h"

// The rows of bank_amd64.s for two planes at once, a plane in each half of a register of
// 512 bits. Of each row b0, c1, c2 and a1 stay in registers, a2 lies on the stack.
#define ROW(b0, c1, c2, a1, a2, s1, s2, sum) \
	VMULPD c1, Z1, Z2 \
	VADDPD Z2, s2, s2 \
	VMULPD a1, s1, Z2 \
	VSUBPD Z2, s2, s2 \
	VMULPD c2, Z1, Z3 \
	VMULPD b0, Z1, Z1 \
	VADDPD s1, Z1, Z1 \
	VMULPD a2, s1, s1 \
	VSUBPD s1, Z3, s1 \
	VMULPD Z1, Z1, Z2 \
	VADDPD Z2, sum, sum

// A frame through all rows: by mask K2 the second plane goes in, by mask K1 the single
// sections take the frame anew. Row 2 has none, and passes it on to row 3.
#define FRAME(o, a4, a5, a6, a7, a8, a9, a10, a11) \
	VBROADCASTSD o(SI), Z0                                \
	VBROADCASTSD o(DI), K2, Z0                            \
	VMOVAPD      Z0, Z1                                   \
	ROW(Z16, Z17, Z18, Z19, a2-256(SP), a4, a5, Z12)      \
	VMOVAPD      Z0, K1, Z1                               \
	ROW(Z20, Z21, Z22, Z23, a2-192(SP), a6, a7, Z13)      \
	VMOVAPD      Z0, K1, Z1                               \
	ROW(Z24, Z25, Z26, Z27, a2-128(SP), a8, a9, Z14)      \
	ROW(Z28, Z29, Z30, Z31, a2-64(SP), a10, a11, Z15)

#define INPLACE(o) FRAME(o, Z4, Z5, Z6, Z7, Z8, Z9, Z10, Z11)
#define SWAPPED(o) FRAME(o, Z5, Z4, Z7, Z6, Z9, Z8, Z11, Z10)

// The coefficients of a row, which lie at o(BX), in both halves.
#define SPREAD(o, b0, c1, c2, a1, a2) \
	VBROADCASTF64X4 (o+0)(BX), b0   \
	VBROADCASTF64X4 (o+32)(BX), c1  \
	VBROADCASTF64X4 (o+64)(BX), c2  \
	VBROADCASTF64X4 (o+96)(BX), a1  \
	VBROADCASTF64X4 (o+128)(BX), Z0 \
	VMOVUPD         Z0, a2

// A state or a sum of both planes.
#define LOAD(o, y, z) \
	VMOVUPD      o(DX), y            \
	VINSERTF64X4 $1, o(R8), z, z

#define STORE(o, y, z) \
	VMOVUPD       y, o(DX)           \
	VEXTRACTF64X4 $1, z, o(R8)

// func bankPairAVX512(x, y *float64, frames int, b *Bank, s, t *BankState)
TEXT ·bankPairAVX512(SB), NOSPLIT, $256-48
	MOVQ x+0(FP), SI
	MOVQ y+8(FP), DI
	MOVQ frames+16(FP), CX
	MOVQ b+24(FP), BX
	MOVQ s+32(FP), DX
	MOVQ t+40(FP), R8
	MOVQ $0x88, AX
	KMOVW AX, K1
	MOVQ $0xf0, AX
	KMOVW AX, K2
	SPREAD(0, Z16, Z17, Z18, Z19, a2-256(SP))
	SPREAD(160, Z20, Z21, Z22, Z23, a2-192(SP))
	SPREAD(320, Z24, Z25, Z26, Z27, a2-128(SP))
	SPREAD(480, Z28, Z29, Z30, Z31, a2-64(SP))
	LOAD(0, Y4, Z4)
	LOAD(32, Y6, Z6)
	LOAD(64, Y8, Z8)
	LOAD(96, Y10, Z10)
	LOAD(128, Y5, Z5)
	LOAD(160, Y7, Z7)
	LOAD(192, Y9, Z9)
	LOAD(224, Y11, Z11)
	LOAD(256, Y12, Z12)
	LOAD(288, Y13, Z13)
	LOAD(320, Y14, Z14)
	LOAD(352, Y15, Z15)
	SUBQ $2, CX
	JLT  last

two:
	INPLACE(0)
	SWAPPED(8)
	ADDQ $16, SI
	ADDQ $16, DI
	SUBQ $2, CX
	JGE  two

last:
	ADDQ $2, CX
	JZ   even
	INPLACE(0)
	// The states have changed their places.
	VMOVAPD Z4, Z0
	VMOVAPD Z5, Z4
	VMOVAPD Z0, Z5
	VMOVAPD Z6, Z0
	VMOVAPD Z7, Z6
	VMOVAPD Z0, Z7
	VMOVAPD Z8, Z0
	VMOVAPD Z9, Z8
	VMOVAPD Z0, Z9
	VMOVAPD Z10, Z0
	VMOVAPD Z11, Z10
	VMOVAPD Z0, Z11

even:
	STORE(0, Y4, Z4)
	STORE(32, Y6, Z6)
	STORE(64, Y8, Z8)
	STORE(96, Y10, Z10)
	STORE(128, Y5, Z5)
	STORE(160, Y7, Z7)
	STORE(192, Y9, Z9)
	STORE(224, Y11, Z11)
	STORE(256, Y12, Z12)
	STORE(288, Y13, Z13)
	STORE(320, Y14, Z14)
	STORE(352, Y15, Z15)
	VZEROUPPER
	RET
