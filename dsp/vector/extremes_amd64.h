// Of eight magnitudes in Y4 and Y5: the largest so far are in Y0 and Y1, whose maximum
// would lose a NaN; the sums in Y2 and Y3 do not.
#define EXTREMES \
	VMAXPD Y4, Y0, Y0 \
	VMAXPD Y5, Y1, Y1 \
	VADDPD Y4, Y2, Y2 \
	VADDPD Y5, Y3, Y3

#define NOEXTREMES \
	VXORPD Y0, Y0, Y0 \
	VXORPD Y1, Y1, Y1 \
	VXORPD Y2, Y2, Y2 \
	VXORPD Y3, Y3, Y3

// The largest of all in X0; if the sum is NaN, all ones, which is a NaN.
#define LARGEST \
	VMAXPD       Y1, Y0, Y0     \
	VADDPD       Y3, Y2, Y2     \
	VEXTRACTF128 $1, Y0, X1     \
	VEXTRACTF128 $1, Y2, X3     \
	VMAXPD       X1, X0, X0     \
	VADDPD       X3, X2, X2     \
	VUNPCKHPD    X0, X0, X1     \
	VUNPCKHPD    X2, X2, X3     \
	VMAXSD       X1, X0, X0     \
	VADDSD       X3, X2, X2     \
	VCMPSD       $3, X2, X2, X2 \
	VORPD        X2, X0, X0
