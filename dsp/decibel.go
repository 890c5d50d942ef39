package dsp

// Decibels and ratios. These are the only conversions in the module.

const (
	log2PerDB = 0.16609640474436813 // log2(10)/20
	dbPerLog2 = 6.020599913279624   // 20/log2(10)
)

// DBToAmplitude returns the amplitude ratio 10^(db/20); exactly 1 at 0 dB.
func DBToAmplitude(db float64) float64 { return Exp2(db * log2PerDB) }

// AmplitudeToDB returns 20·log10 of an amplitude ratio; −Inf at 0.
func AmplitudeToDB(ratio float64) float64 { return float64(Log2(ratio) * dbPerLog2) }

// DBToPower returns the power ratio 10^(db/10); exactly 1 at 0 dB.
func DBToPower(db float64) float64 { return Exp2(db * (2 * log2PerDB)) }

// PowerToDB returns 10·log10 of a power ratio; −Inf at 0.
func PowerToDB(ratio float64) float64 { return float64(Log2(ratio) * (dbPerLog2 / 2)) }
