package measure

import (
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/boothbench/boothbench/dsp"
)

// LevelUnit is a unit in which a level is given.
type LevelUnit string

// The units of level. Digital and analogue ones meet only by a Calibration.
const (
	DBFS       LevelUnit = "dBFS"      // a full-scale sine is 0: peak of a sine, rms by AES17-2015 3.12
	DBFSSine   LevelUnit = "dBFS-sine" // the same, where it has to be said: of noise
	DBFSRMS    LevelUnit = "dBFS-rms"  // mathematical rms: a full-scale sine is −3.01
	DBU        LevelUnit = "dBu"       // rms re √0.6 V, which is 1 mW in 600 Ω
	DBV        LevelUnit = "dBV"       // rms re 1 V
	Volts      LevelUnit = "V"         // rms
	Millivolts LevelUnit = "mV"
	Microvolts LevelUnit = "uV"
)

// levelUnits are all of them.
func levelUnits() []LevelUnit {
	return []LevelUnit{DBFS, DBFSSine, DBFSRMS, DBU, DBV, Volts, Millivolts, Microvolts}
}

// digital reports whether a unit refers to full scale.
func (u LevelUnit) digital() bool { return u == DBFS || u == DBFSSine || u == DBFSRMS }

// Level is a level of a steady sound in its unit.
type Level struct {
	Value float64   `json:"value"`
	Unit  LevelUnit `json:"unit"`
}

// String prints decibels with two decimals and volts with four digits.
func (l Level) String() string {
	if _, perVolt := l.Unit.voltage(); perVolt {
		return fmt.Sprintf("%.4g %s", l.Value, l.Unit)
	}
	return fmt.Sprintf("%.2f %s", l.Value, l.Unit)
}

// voltage is what 1 of a unit of voltage is in volts.
func (u LevelUnit) voltage() (volts float64, ok bool) {
	switch u {
	case Volts:
		return 1, true
	case Millivolts:
		return 1e-3, true
	case Microvolts:
		return 1e-6, true
	}
	return 0, false
}

// Decibels between the units.
var (
	dbuAtOneVolt  = dsp.PowerToDB(1 / 0.6) // 0 dBV in dBu: 2.218
	sineRMSInPeak = dsp.PowerToDB(1.0 / 2) // of a full-scale sine: −3.010
)

// Calibration ties full scale to a voltage.
type Calibration struct {
	FullScaleDBu float64 // rms level of a sine of 0 dBFS
}

func (c Calibration) String() string { return fmt.Sprintf("0 dBFS = %+.2f dBu", c.FullScaleDBu) }

// CalibrationError says that a level cannot be converted without a calibration.
type CalibrationError struct{ From, To LevelUnit }

func (e *CalibrationError) Error() string {
	return fmt.Sprintf("%s in %s: full scale alone has no voltage; a calibration is needed, such as \"0 dBFS = +16 dBu\"", e.From, e.To)
}

// In is the level in another unit. Between digital and analogue units it needs a
// calibration, else the error is a *CalibrationError. A level that is not finite, and a
// unit that is none of this package's, are errors as well.
func (l Level) In(unit LevelUnit, c *Calibration) (Level, error) {
	for _, u := range []LevelUnit{l.Unit, unit} {
		if !slices.Contains(levelUnits(), u) {
			return Level{}, fmt.Errorf("found the unit %q; accepted: %s", string(u), acceptedUnits())
		}
	}
	if math.IsNaN(l.Value) || math.IsInf(l.Value, 0) {
		return Level{}, fmt.Errorf("found %v; accepted: a finite level", l)
	}
	db := l.Value
	if volts, ok := l.Unit.voltage(); ok {
		if l.Value <= 0 {
			return Level{}, fmt.Errorf("%v: a voltage in dB has to be more than 0", l)
		}
		db = dsp.AmplitudeToDB(l.Value * volts)
	}
	// To dBu, or dBFS.
	switch {
	case l.Unit == DBFSRMS:
		db -= sineRMSInPeak
	case !l.Unit.digital() && l.Unit != DBU:
		db += dbuAtOneVolt
	}
	if l.Unit.digital() != unit.digital() {
		if c == nil {
			return Level{}, &CalibrationError{l.Unit, unit}
		}
		if unit.digital() {
			db -= c.FullScaleDBu
		} else {
			db += c.FullScaleDBu
		}
	}
	volts, isVoltage := unit.voltage()
	switch {
	case isVoltage:
		return Level{dsp.DBToAmplitude(db-dbuAtOneVolt) / volts, unit}, nil
	case unit == DBFSRMS:
		db += sineRMSInPeak
	case unit == DBV:
		db -= dbuAtOneVolt
	}
	return Level{db, unit}, nil
}

// ParseLevel reads a level such as "-133 dBV".
func ParseLevel(text string) (Level, error) {
	text = strings.TrimSpace(text)
	number := leadingNumber.FindString(text)
	unit := strings.TrimSpace(text[len(number):])
	value, err := ParseNumber(number)
	if err != nil {
		return Level{}, fmt.Errorf("level %q: %w", text, err)
	}
	u, err := parseLevelUnit(unit)
	if err != nil {
		return Level{}, fmt.Errorf("level %q: %w", text, err)
	}
	return Level{value, u}, nil
}

// leadingNumber is a number, or what was meant to be one.
var leadingNumber = regexp.MustCompile(`^[-+−–.,0-9]*([eE][-+]?[0-9]+)?`)

// ParseNumber reads a finite number and says what is wrong with one that was
// typed or pasted in another manner.
func ParseNumber(text string) (float64, error) {
	switch {
	case text == "":
		return 0, fmt.Errorf("found no number; accepted: a number and its unit, such as -20 dBFS")
	case strings.ContainsAny(text, "−–"):
		return 0, fmt.Errorf("found %q with a typographic minus sign; accepted: the plain one, %s", text, strings.NewReplacer("−", "-", "–", "-").Replace(text))
	case strings.Contains(text, ","):
		return 0, fmt.Errorf("found %q with a comma; accepted: a decimal point and no separators, such as %s", text, strings.ReplaceAll(text, ",", "."))
	}
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsInf(v, 0) || math.IsNaN(v) {
		return 0, fmt.Errorf("found %q; accepted: a finite number, such as -20 or 1.5", text)
	}
	return v, nil
}

// otherUnits are units that are no level in this sense, and why.
var otherUnits = map[string]string{
	"dbv":   "dBv once meant dBu and is often a slip for dBV: write dBu or dBV",
	"dbm":   "dBm is a power: it has a voltage only in a known impedance (in 600 ohm, 0 dBm is 0 dBu)",
	"db":    "dB alone is a ratio: say against what, such as dBFS, dBu or dBV",
	"dbtp":  "dBTP is a peak between samples: it has no rms, and so no voltage by a calibration of sines; for a sine write dBFS",
	"lufs":  "LUFS is a weighted mean: only a tone of 997 Hz has the same number in dBFS, and not in each channel",
	"lkfs":  "LKFS is a weighted mean: only a tone of 997 Hz has the same number in dBFS, and not in each channel",
	"dbspl": "sound pressure needs the sensitivity of a microphone",
}

// acceptedUnits lists the units of level for messages.
func acceptedUnits() string {
	var names []string
	for _, u := range levelUnits() {
		names = append(names, string(u))
	}
	return strings.Join(names, ", ")
}

// parseLevelUnit reads a unit of level.
func parseLevelUnit(text string) (LevelUnit, error) {
	plain := strings.ToLower(strings.NewReplacer(" ", "", "(", "", ")", "", "-", "", "µ", "u", "μ", "u").Replace(text))
	if plain == "dbv" && strings.HasSuffix(text, "V") {
		return DBV, nil
	}
	for _, u := range levelUnits() {
		if u != DBV && plain == strings.ToLower(strings.ReplaceAll(string(u), "-", "")) && text != "MV" {
			return u, nil
		}
	}
	if why, known := otherUnits[plain]; known {
		return "", fmt.Errorf("found the unit %q: %s; accepted: %s", text, why, acceptedUnits())
	}
	return "", fmt.Errorf("found the unit %q; accepted: %s", text, acceptedUnits())
}

// ParseCalibration reads a calibration such as "0 dBFS = +16 dBu", one side
// digital, the other analogue.
func ParseCalibration(text string) (*Calibration, error) {
	left, right, found := strings.Cut(text, "=")
	if !found {
		return nil, fmt.Errorf("calibration %q: found no \"=\"; accepted: a line such as \"0 dBFS = +16 dBu\"", text)
	}
	digital, err := ParseLevel(left)
	if err != nil {
		return nil, fmt.Errorf("calibration %q: %w", text, err)
	}
	analogue, err := ParseLevel(right)
	if err != nil {
		return nil, fmt.Errorf("calibration %q: %w", text, err)
	}
	if analogue.Unit.digital() {
		digital, analogue = analogue, digital
	}
	if !digital.Unit.digital() || analogue.Unit.digital() {
		return nil, fmt.Errorf("calibration %q: found %s and %s; accepted: a level against full scale on one side and dBu, dBV or a voltage on the other", text, digital.Unit, analogue.Unit)
	}
	full, err := digital.In(DBFS, nil)
	if err != nil {
		return nil, err
	}
	dbu, err := analogue.In(DBU, nil)
	if err != nil {
		return nil, fmt.Errorf("calibration %q: %w", text, err)
	}
	return &Calibration{dbu.Value - full.Value}, nil
}

// ParseQuestion reads "-133 dBV in dBu": a level and the units that it is wanted
// in. Without "in" they are all units that the level has.
func ParseQuestion(text string, c *Calibration) (Level, []LevelUnit, error) {
	given, wanted, named := strings.Cut(text, " in ")
	level, err := ParseLevel(given)
	if err != nil {
		return Level{}, nil, err
	}
	if named {
		unit, err := parseLevelUnit(strings.TrimSpace(wanted))
		return level, []LevelUnit{unit}, err
	}
	var all []LevelUnit
	for _, u := range []LevelUnit{DBFS, DBFSRMS, DBU, DBV} {
		if u != level.Unit && (c != nil || u.digital() == level.Unit.digital()) {
			all = append(all, u)
		}
	}
	if volts, err := level.In(Volts, c); err == nil {
		if u := readable(volts.Value); u != level.Unit {
			all = append(all, u)
		}
	}
	return level, all, nil
}

// readable is the unit in which a voltage has few zeros.
func readable(volts float64) LevelUnit {
	switch {
	case volts >= 0.1:
		return Volts
	case volts >= 1e-4:
		return Millivolts
	}
	return Microvolts
}
