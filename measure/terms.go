package measure

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"sync"
)

// Term explains a reading, or several of a family.
type Term struct {
	Name     string // with N for a number and {a,b} for alternatives
	Meaning  string
	Document string // where it is defined
	Trap     string
	pattern  *regexp.Regexp
}

// terms explain every reading of this package and of those that build on it; a test
// finds names that are missing. Names may hold N, for a number, and {a,b}, for
// alternatives. They are compiled at the first use.
var terms = sync.OnceValue(func() []Term { return append(compileTerms(termTable), compileTerms(wordTable)...) })

var termTable = [][4]string{
	{"integrated_lufs", "Loudness of the whole, gated.", "Rec. ITU-R BS.1770-5 Annex 1", "One channel reads 3.01 LU less than the same voice on two: state which."},
	{"loudness_range_lu", "Distance from the 10th to the 95th percentile of short-term loudness, gated at −70 LUFS and −20 LU.", "EBU Tech 3342", "Little meaning under a minute."},
	{"momentary_max_lufs", "Largest loudness over 400 ms, on a 10 ms grid.", "EBU Tech 3341", "A coarser grid reads less."},
	{"short_term_max_lufs", "Largest loudness over 3 s, on a 10 ms grid.", "EBU Tech 3341", "Its time code is where the window begins."},
	{"peak_to_loudness_lu", "True peak less integrated loudness.", "AES TD1004, EBU R 128 s1", "A single click sets it."},
	{"sample_peak_dbfs", "Largest |sample|.", "EBU Tech 3341", "The true peak, between the samples, is up to 3 dB higher on a tone, more on noise."},
	{"true_peak_dbtp", "The larger of the sample peak and the Annex 2 reading: what a meter shows.", "Rec. ITU-R BS.1770-5 Annex 2", "Four-fold interpolation misses up to 0.55 dB at 0.45 of the rate: see true_peak_fine_dbtp."},
	{"true_peak_annex2_dbtp", "Largest output of the printed 48-tap interpolator alone.", "Rec. ITU-R BS.1770-5 Annex 2", "It can be below the sample peak, or above the true peak."},
	{"true_peak_fine_dbtp", "Largest value of a 256-tap sinc at 64 places between the samples.", "windowed sinc; error printed beside it", "No 4-fold meter shows it: it may be higher than a delivery's own measurement."},
	{"overshoot_{sample,annex2,fine}_db", "By how much a sound exceeds its ceiling, by that reading; below 0 it stays under.", "sample_peak_dbfs, true_peak_dbtp, true_peak_fine_dbtp less the ceiling", "The ceiling is a claim: give the one that the device is set to."},
	{"first_window_overshoot_db", fmt.Sprintf("Overshoot in the first %d ms after silence.", FirstWindowMs), "own definition", "A limiter that holds its ceiling within a programme may miss it here."},
	{"{time_over_ceiling_ms,over_events}", "How long, and how often, the sound is over the ceiling by any of the three readings.", "own definition", fmt.Sprintf("Two overs of a channel nearer than %d ms count as one.", mergeMs)},
	{"image_shift_db", "Largest difference of two channels' gains over a short time.", "own definition", "0 for linked channels only."},
	{"noise_floor_{dbfs,a_dbfs,c_dbfs,bs468_dbfs}", "Noise in the pauses, 20 Hz to 20 kHz: unweighted, A- or C-weighted (IEC 61672-1), or through the network of BS.468.", "own estimator: lowest mode of the distribution of 50 ms levels above 150 Hz", "Mathematical rms: 3.01 dB less than re a full-scale sine. The BS.468 network alone is no quasi-peak reading."},
	{"lower_noise_floor_dbfs", "Noise where it is lowest, if the noise has two levels more than 3 dB apart that stay for seconds: noise_floor_dbfs is then the higher of the two.", "own estimator: hidden Markov model of the quietest 200 ms of each half second", "A fan, a heating or a road. A change that few pauses fall into is not found, nor is noise that changes within a second or two: where its louder parts keep one level, a note of inspect states by how much they exceed the floor."},
	{"higher_noise_share", "Share of the time, 0 to 1, in which the noise is at the higher one of two levels.", "own estimator: see lower_noise_floor_dbfs", "Between two pauses it is not known when the noise changed."},
	{"pauses_ms", "Total length of the pauses from which the noise floor is read.", "own estimator: see noise_floor_dbfs", "Under a second, the floor is a guess."},
	{"noise_variation", "How much the level of the noise varies from one stretch of 50 ms to the next, relative to steady noise, which reads 1.", "own statistic: chi-square law of the octaves' levels", "Over 3 the quietest sound is not the noise of a room, and the floor is undecided. It does not recognise a steady music bed."},
	{"{softer,louder}_speech_dbfs", "Levels of the speech, where its stretches fall into two groups 6 dB apart and more.", "own definition", "Two people, or one who moved. A compressor does not remove the difference."},
	{"{speech_level_dbfs,speech_to_noise_db}", "Power mean of the sound that is 10 dB or more above the noise; and that level less the noise floor.", "common practice, no source", "Not a loudness: it is not gated by BS.1770."},
	{"{hum_hz,hum_level_dbfs}", "Mains frequency detected in the pauses, and the power of its fundamental and harmonics. The ± of each is the larger of its standard deviation from pause to pause and what the noise at its lines, and lines hidden in it, may add. Where no hum is found, \"at_most\" in the JSON of the level is what hum in this noise has at most, and limits are held against that.", "own definition", "A hum that stops with the speech is not in the pauses. One line above the second harmonic may be a tone of another source: it is no hum, and at_most includes it."},
	{"dc_dbfs", "Mean of the samples.", "common practice, no source", "A high-pass removes it."},
	{"crest_factor_db", "Sample peak over rms.", "IEC 60268-2 (from memory)", "Low after limiting, high with clicks."},
	{"asymmetry_db", "Positive peak over negative peak.", "common practice, no source", "A voice is asymmetric by nature; inverted polarity changes its sign."},
	{"used_bits", "Bits down to the lowest one that any sample uses.", "own definition", "Bits that are always zero are not counted: a 16-bit recording in a 24-bit file uses 16."},
	{"{clips,flat_tops,dropouts,plosives,sibilants}", "Events of that kind: their number; the list has their times.", "common practice, no source; each reading holds its definition", "A sound that is loud by intent may count. After a high-pass about half of the clipped peaks of five samples and more are found, after a change of level or dither nearly all. A click of one or a few samples inside speech is not looked for, as the onsets of consonants look alike: compare finds it where there is a file without it."},
	{"highest_content_hz", "Highest frequency at which the long-term spectrum is above the rounding noise of the file.", "own definition", "Noise of a room or a preamplifier reaches half the rate: then it is a reading of that noise, not of the voice. Far below, it shows a codec, a telephone or an earlier, lower rate."},
	{"correlation", "Normalised correlation of channels 1 and 2.", "common practice, no source", "A delay lowers it: look at channel_delay_frames."},
	{"channel_{delay_frames,gain_db}", "Delay and level of channel 2 against channel 1, where they hold one source.", "largest cross-correlation; rms", "Undefined if the channels hold two sources."},
	{"channel_gain_difference_db", "Gain of channel 1 less that of channel 2 while channel 1 is louder.", "own definition", "0 for linked channels."},
	{"channel_balance_NtoN_db", "Level of one channel over another, with the same signal in both.", "AES17-2015 (clause on channel balance)", ""},
	{"crosstalk_NtoN_db", "Level of one channel's tone in the other channel.", "AES17-2015 6.5.2", "Noise hides it: it is read at the tone's frequency."},
	{"{latency,largest_sample}_{frames,ms}", "Time at which the response to an impulse begins (of a symmetrical response, linear phase: its middle), and at which it is largest. In a recording: one file against the other, both started together.", "own definition", "Not the group delay of a filter, whose response begins at once."},
	{"correlation_delay_{frames,ms}", "Whole delay of a device that is run: the delay with the largest band-limited correlation, to fractions of a frame.", "own definition", "A mean of the group delays where a device disperses. The delay of a recording is latency_frames."},
	{"remaining_delay_{frames,ms}", "Delay with the largest band-limited correlation that a recorded sweep still has once the marks have aligned it: close to 0.", "own definition", "A device that disperses, or a clock that is not steady, leaves some. The delay of the recording is latency_frames."},
	{"echo_{delay_frames,delay_ms,level_db}", "The strongest later arrival, for example of direct monitoring that was left on.", "common practice, no source", ""},
	{"round_trip_{frames,ms,min_frames,min_ms,max_frames,max_ms,spread_frames,spread_ms}", "Latency over several runs: mean, least, most, and most less least.", "own definition", "A spread of a frame or more means that the path starts with another delay each time."},
	{"latency_added_{frames,ms}", "Latency of an effect's path less that of the loopback at the same rate and buffer size.", "own definition", "Both have to be recorded with one set-up."},
	{"full_scale_input_dbu", "Level at a device's input that brings its converter to full scale.", "calibration of the input less the gain", "The input may clip at a lower level: see maximum_level_dbu."},
	{"maximum_{level,output}_dbu", "The same as maximum_level_dbfs and maximum_output_dbfs in volts: at the input by the plan's input_calibration, at the output by its calibration.", "AES17-2015 6.2.1", "The test is loud."},
	{"converter_headroom_db", "Full scale less the largest sample while the level rises to the maximum, but for clicks.", "own definition", "0: the converter's own full scale was reached, and no later part of the path clips earlier."},
	{"gain_{range,error}_db", "Gain at the highest setting of a plan less that at the lowest; and the largest error of a gain against its control's scale, relative to the lowest setting.", "own definition", "The nominal gains are those of the plan: enter what the control shows."},
	{"group_delay_at_N{hz,khz}_ms", "Group delay −dφ/dω at a frequency.", "closed form", "A filter without latency has group delay too."},
	{"polarity", "+1: as played or as A, −1: inverted; of a comparison 0: inverted in a part of 0.2 s or more.", "sign of the response or correlation", "Not phase: it has no frequency."},
	{"gain_db", "Level of the response relative to the stimulus, or of B relative to A, by least squares. Only blocks of B (4096 frames) count whose ratio is within 0.5 dB of the median ratio (weighted by energy). Where least squares would read too low, compare uses another estimate: the median of the third octaves where the response has changed; the median of windows of 20 ms where B is clipped; the level of B over the part of A that follows B where A has noise that B lacks; the other frequencies where A has hum or tones that B lacks. It is the figure that compare's sentence states.", "least squares; third octaves of IEC 61260-1", "After a step of level it is the gain of the part with more energy, and residual_dbfs is the residual at that gain."},
	{"gain_{low,high}_levels_db", "Gain of B over A where A is quietest and where it is loudest. Blocks of 31 to 62 ms (by the rate) are sorted by A's level in steps of 3 dB; the gain is the median of the third octaves from 125 Hz up, so that a filter does not count as a change with the level. Equal for one gain; lower at high levels after a compressor or limiter, lower at low levels after an expander or gate.", "H1 and H2 (Bendat and Piersol), between which the gain lies; median polish (Tukey 1977)", "compare states compression or expansion only where the difference is 0.5 dB and 5 standard errors or more, which a short sound may not reach. Attack and release make it smaller than a static curve shows."},
	{"gain_at_N{hz,khz}_db", "Gain at a frequency: at 1 kHz always, at others where a claims file asks for it. gain_at_31p5hz_db is that at 31.5 Hz.", "sweep (Farina 2000) or multitone", "For a level-dependent stage it holds at the stimulus's level only."},
	{"response_{max,min}_db", "Highest and lowest magnitude from 20 Hz to 20 kHz, against 1 kHz.", "sweep (Farina 2000) or multitone", "A narrow notch may lie between a multitone's tones."},
	{"{lower_corner_hz,upper_corner_hz}", "Frequencies below and above 1 kHz at which the magnitude is 3.01 dB less than at 1 kHz.", "10·log10(1/2)", "Only where the sweep reaches it: the reason says how far it went."},
	{"ripple_db", "Highest less lowest magnitude between the corners, an octave and more inside of each, from 20 Hz to 20 kHz.", "own definition", "response_max_db and response_min_db include the fall at the band edges; this reading does not."},
	{"response_deviation_db", "Largest distance of the magnitude from the declared response.", "closed form of the declared filter", "A stage's plan states its own deviation from the analogue filter under the same name."},
	{"mask_excess_db", "Largest excess of a response, relative to its gain at 1 kHz, over the mask of a claims file; below 0 the response is within the mask everywhere.", "own definition", "The mask applies nothing beyond its first and last frequency."},
	{"{corner_hz,slope_db_per_octave}", "A filter's −3.01 dB frequency and its steepness beyond, read back.", "10·log10(1/2); straight line over octaves", ""},
	{"{centre_hz,bell_hz,bell_gain_db,bell_q}", "A bell read back: the centre frequency, gain and Q of an equaliser's band. prove reads centre_hz at its extreme and Q from the half-gain points. A sweep through an outside device gives bell_hz: one bell is fitted to the whole response.", "W3C Audio EQ Cookbook", "Not the Q of the −3 dB points. Of an outside device it is read only where its response is one bell; a fall at the ends of the band may remain."},
	{"notch_{hz,depth_db,q}", "A notch read back: the middle of its -3.01 dB points, the attenuation at its minimum, and its centre over their distance.", "W3C Audio EQ Cookbook", "The depth is read on the grid of the measurement: the notch is at least as deep."},
	{"shelf_{hz,gain_db,q}", "A shelf read back: where half its gain in dB is reached, its gain, its steepness.", "W3C Audio EQ Cookbook", ""},
	{"{tone,low_tone,high_tone}_{hz,dbfs}", "Frequency and level of a tone in the response.", "AES17-2015 3.12: a full-scale sine is 0 dBFS", ""},
	{"harmonicN_{db,percent}", "The harmonic of that order against the fundamental.", "IEC 60268-3 14.12", ""},
	{"harmonicN_{at_1khz,max}_db", "The harmonic of that order against the fundamental, at 1 kHz and where it is largest, by a sweep.", "Farina 2000; Novak, Lotton, Simon, JAES 63(10) 2015", "At the sweep's level only. Aliases in a digital device are not included."},
	{"thd_{fundamental,total}_{db,percent}", "All harmonics against the fundamental, or against all of the sound.", "IEC 60268-3 14.12", "The two differ above 10 %: state which."},
	{"thd_plus_noise_{db,percent}", "Everything but the tone, through AES17's notch, 20 Hz to 20 kHz, against the whole.", "AES17-2015 6.3.1", "Hum and noise count: it is not distortion alone. The notch removes 0.21 dB of a second harmonic and 0.07 dB of a third: without noise it can read under the THD."},
	{"{modulation,difference}_distortion{N,_aes17}_{db,percent}", "Products of two tones, by order (IEC 60268-3) or as AES17 sums them.", "IEC 60268-3 14.12.7 and 14.12.8; AES17-2015 6.3.5 and 6.3.6", "The documents use different references: never compare figures of two."},
	{"idle_noise_{rms,a,ccir_rms,quasi_peak}_dbfs", "Noise with digital zero at the input, by that weighting.", "AES17-2015 6.4.2; Rec. ITU-R BS.468-4", "An expander or gate makes any device look quiet: switch it off."},
	{"idle_noise_dbfs", "Noise with digital zero at the input, unweighted, re a full-scale sine.", "AES17-2015 6.4.2", "idle_noise_rms_dbfs is 3.01 dB lower for the same noise."},
	{"dynamic_range_{db,a_db,ccir_rms_db}", "Full scale over the noise while a tone of −60 dBFS plays.", "AES17-2015 6.4.1", "The tone keeps a muting device awake."},
	{"{mainsN_dbfs,mains_hz,mains_sum_dbfs}", "Mains frequency and its products with digital zero at the input.", "AES17-2015 6.5.1", ""},
	{"linearity_{mN,N,worst}_db", "Gain at a level against that at the reference level.", "AES17-2015 6.3.7", "Noise hides the lowest ones."},
	{"maximum_{level,output}_dbfs", "Level at which THD+N reaches 1 % or the gain falls by 0.3 dB.", "AES17-2015 6.2.1", "The test is loud by nature."},
	{"{idle_tail_peak_dbfs,decay_to_zero_ms,limit_cycle_hz,limit_cycle_period_frames}", "After the input has ended: largest sample of the last half second, time until the output is exactly 0, and frequency and period of an output that repeats without end.", "own definition", "A limit cycle never ends."},
	{"{plateau_gain_db,curve_error_db,curve_deviation_db,unsettled_steps}", "Largest gain of a static curve; its distance from the fit and from the declared curve; steps whose gain still moved.", "stepped tone; Giannoulis, Massberg, Reiss, JAES 60(6) 2012", "Unsettled steps make any fit wrong: give longer ones."},
	{"{compression,expansion}_{threshold_dbfs,ratio,knee_db}", "A static curve's threshold, ratio and knee, fitted.", "Giannoulis, Massberg, Reiss, JAES 60(6) 2012", "Levels are peaks of a sine: an rms detector's threshold is 3.01 dB lower."},
	{"compression_slope", "1 over the compression's ratio: 0 for a limiter, whose ratio is not measurable.", "Giannoulis, Massberg, Reiss, JAES 60(6) 2012", ""},
	{"expansion_range_db", "Largest attenuation of an expander, fitted.", "Giannoulis, Massberg, Reiss, JAES 60(6) 2012", "The steps have to go far enough down to reach it."},
	{"hysteresis_db", "Distance in dB from the opening level of an expander down to its closing level.", "own definition", "Its resolution is one step of the stimulus."},
	{"detector_crest_db", "0: the detector reads rms; 3.01: it reads peaks.", "crest factors of a sine and of two equal tones", "A window shorter than the tones' beat gives a value in between."},
	{"{attack,release}_ms", "Time constant: from 0.1 % to 63.2 % of the change of gain in dB.", "1 − 1/e", "A time to 90 % is 2.3 times as long."},
	{"{attack,release}_10_90_ms", "From 10 to 90 % of the change of gain in dB.", "common practice, no source", "2.2 time constants."},
	{"{attack,release}_within_2db_ms", "From the change of level to within 2 dB of the final gain.", "IEC 60268-8", "Depends on how large the change is."},
	{"{attack,release}_{begins_ms,change_db}", "When the gain begins to move after the change of level (below 0: look-ahead; of a release: hold), and by how much it moves.", "own definition", ""},
	{"step_overshoot_db", "Largest excess of the level over its final value after a step up.", "own definition", ""},
	{"{missing_ms,extra_ms}", "Length of A that is missing from B, and of B that is not in A, at the ends, cut or, of A, muted in B. What a delay of up to 1 s shifts out of B's end is not missing, nor what up to 10 ms shifts out of its beginning. A delay of up to 1 s is not extra; a longer stretch before A's beginning is.", "own definition", "No other reading covers it: compare --at-most and check's like accept nothing missing."},
	{"{similarity,delay_frames,delay_ms}", "Correlation of A and B, and the delay of B.", "largest correlation of the differences from frame to frame; where noise covers these, of the frequencies that both have in common (Knapp and Carter, IEEE Trans. ASSP-24(4) 1976)", "For a steady tone the delay is ambiguous by whole periods."},
	{"drift_ppm", "By how much B's clock runs faster (above 0) or slower than A's.", "slope of the delay", "25 ppm are 90 ms in an hour."},
	{"residual_{dbfs,a_dbfs}", "B, aligned and matched to A's level, less A; A: weighted by IEC 61672-1.", "mathematical rms", "It states how much differs, not whether that is audible."},
	{"residual_Nhz_dbfs", "The difference in a third-octave band.", "IEC 61260-1", ""},
	{"null_depth_db", "rms of A over that of the difference.", "common practice, no source", "A phase shift of 1° limits it to 35 dB."},
	{"unexplained_dbfs", "Power in B that no fixed linear filter of A explains, without an offset, hum and tones that compare lists by themselves. It is the figure of \"what this does not explain\".", "incoherent power (Bendat and Piersol)", "Short sounds read too high."},
	{"{largest_difference_dbfs,first_difference_frames,changed_samples}", "Where and how much samples differ.", "sample by sample", "The last two are read before levels are matched."},
	{"dropouts_{a,b}", "Stretches in which one sound is silent while the other continues.", "own definition", ""},
	{"response_difference_{db,hz}", "Largest difference of response in third octaves, against the median of the bands.", "transfer function H1 (Bendat and Piersol); IEC 61260-1", "Bands in which B does not follow A are left out. The sentence of compare states only what exceeds 4 standard errors of the response, by its coherence."},
	{"{integrated_difference,range_difference}_lu", "Loudness and range of B less those of A.", "Rec. ITU-R BS.1770-5, EBU Tech 3342", ""},
	{"{sample_peak,true_peak}_difference_db", "Peaks of B less those of A.", "as the readings themselves", ""},
	{"{noise_floor,noise_floor_a}_difference_db", "Noise in the pauses of B less that of A, unweighted or A-weighted.", "noise_floor_dbfs, noise_floor_a_dbfs", "The files are taken as they are: a louder copy has louder noise."},
	{"{sample_bits_change,used_bits_change}", "Bits a sample, and bits down to the lowest that any sample uses, less those of the baseline.", "the file's header; own definition", "A file of 24 bits whose lowest eight are always zero is one of 16: the second shows it."},
	{"{same_samples,frames_change}", "Whether every sample is that of the baseline, and the difference in the number of frames.", "SHA-256", "Another program may round differently: then limit the residual instead."},
	{"{integrated_change,range_change}_lu", "Loudness and range less those of the baseline.", "Rec. ITU-R BS.1770-5, EBU Tech 3342", ""},
	{"{true_peak_change,spectrum_change,level_change}_db", "True peak, third-octave bands and the level over 24 ms against the baseline; the largest change.", "IEC 61260-1 for the bands", ""},
	{"{delay_change_frames,gain_change_db}", "Delay and gain against the baseline, by the sums that it keeps.", "largest correlation; least squares", "A filter that changed shifts the phase, which is not stated as a delay."},
	{"{difference_change_dbfs,local_changes}", "The difference from the baseline without matching, and the blocks of 24 ms in which far more changed than elsewhere.", "sums with random signs: their squares are the energy of a difference, in the mean", "Nothing is matched: a changed gain or delay counts in full."},
	{"programme_{level_db,gain_trace_db,residual_db,largest_difference_dbfs}", "A device's output on synthetic speech against a plain model of its settings: level, largest difference of level in 10 ms, residual, largest sample of the residual.", "own definition", "A device that is late by one frame differs everywhere: look at latency_frames first."},
	{"repeat_changed_samples", "Samples of a second response to one sound that differ from the first.", "bit by bit", "Dither that is not seeded changes all of them."},
	{"rounding_{noise,mean,peak}_lsb", "The error of writing 16-bit integers, in steps: rms, mean, largest.", "Lipshitz, Wannamaker and Vanderkooy, JAES 40(5) 1992: 0.5 with TPDF dither, 0.289 without", "Without dither the error follows the sound: that is distortion, and lower than with dither."},
	{"findings", "Contradictions that the bench found in the recordings of a device, without those that the limits file accepts.", "own definition", "One may void readings: check fails on any unless accept or a limit allows it."},
	{"claims_{passed,failed,undecided}", "Claims of a proof, by verdict.", "boothbench prove", "An undecided claim has not passed."},
	{"{noise_dbfs,mark_over_noise_db}", "Noise before a recording's marks, and the marks over it.", "own definition", "A noisy path needs a louder or longer stimulus."},
	{"{equivalent_input_noise_a_dbu,equivalent_input_noise_a_dbv,thermal_noise_a_dbu,noise_figure_a_db}", "Equivalent input noise, thermal noise of the source and noise figure, all A-weighted.", "IEC 61672-1:2013 for the weighting", "Lower than unweighted by about 2 dB for white noise: never compare the two."},
	{"headphone_noise_a_db_spl", "A-weighted noise of an output, as sound pressure from a headphone of a stated sensitivity.", "common practice, no source", "The sensitivity is at 1 kHz; and an output of a few volts can reach harmful levels."},
	{"equivalent_input_noise_{dbu,dbv}", "Output noise less gain: the noise at the input that would cause it.", "common practice, no source", "Means nothing without source resistance, bandwidth, weighting and gain."},
	{"{thermal_noise_dbu,noise_figure_db}", "Noise of the source's resistance, and the equipment's noise above it.", "Johnson and Nyquist 1928: √(4kTRB)", "A figure under it is impossible, or weighted."},
	{"{load_drop_db,largest_loss_db,response_spread_db,output_impedance_ohm}", "Effects of an output's impedance on a load.", "voltage divider", "A headphone's impedance is no resistance: give its curve."},
	{"{expander,compressor,de_esser,limiter}_reduction_{median,p95,most}_db", "Gain reduction of a stage of that kind while it works: median, 95th percentile, largest.", "own definition: milliseconds with 0.1 dB of reduction or more", "Of the working time, not of all: a limiter that works once has a median too. Look at the share of time beside it."},
	{"{expander,compressor,de_esser,limiter}_working_percent", "Share of the time in which a stage of that kind reduces by 0.1 dB or more.", "own definition", ""},
	{"channels", "Number of channels of the file.", "the file's header", "A specification for one channel refuses two, also where both hold the same."},
	{"rate_hz", "Frames a second.", "the file's header", "A high rate does not mean content up there: see highest_content_hz."},
	{"duration_s", "Length of the sound.", "frames over rate", ""},
	{"{sample_bits,floating_point}", "Bits a sample, and whether the samples are floating point (1) or integers (0).", "the file's header", "How many of the bits carry sound: see used_bits."},
	{"overs_clamped_samples", "Samples over full scale that were cut off on writing.", "boothbench process", "Lower the level or end the chain with a limiter."},
}

// wordTable explains terms that are not readings.
var wordTable = [][4]string{
	{"{bandwidth_hz,resonance_hz}", "Settings of boothbench units: the bandwidth of a noise measurement, and the frequency of a headphone's resonance.", "Johnson and Nyquist 1928 for the bandwidth of noise", ""},
	{"tpdf", "Triangular dither: the sum of two uniform random numbers of one step each, added before rounding, which makes the rounding error noise of constant level.", "Lipshitz, Wannamaker and Vanderkooy, JAES 40(5) 1992", "It raises the noise by 4.77 dB over plain rounding, once for each time it is done."},
	{"{annex2,annex 2}", "The true-peak meter as printed: a fourfold interpolator of 48 taps.", "Rec. ITU-R BS.1770-5 Annex 2", "It reads up to 0.55 dB under the wave at high frequencies, and 0.23 dB over it: the fine reading is closer."},
}

func compileTerms(table [][4]string) []Term {
	all := make([]Term, len(table))
	for i, row := range table {
		all[i] = Term{row[0], row[1], row[2], row[3], familyPattern(row[0])}
	}
	return all
}

// familyPattern matches the names of a family: {a,b} is either, N a number, with p
// for its point.
func familyPattern(family string) *regexp.Regexp {
	if known, ok := familyPatterns.Load(family); ok {
		return known.(*regexp.Regexp)
	}
	p := regexp.QuoteMeta(family)
	p = strings.NewReplacer(`\\{`, "(", `\\}`, ")", ",", "|").Replace(strings.ReplaceAll(strings.ReplaceAll(p, `\{`, `\\{`), `\}`, `\\}`))
	p = strings.ReplaceAll(p, "N", "[0-9]+(p[0-9]+)?")
	compiled := regexp.MustCompile("^(" + p + ")(_ch[0-9]+)?$")
	familyPatterns.Store(family, compiled)
	return compiled
}

var familyPatterns sync.Map // compiled once

// IsReadingOf reports whether a reading, or that of one channel, has one of the names of
// families: as Term.Name writes them.
func IsReadingOf(name string, families ...string) bool {
	return slices.ContainsFunc(families, func(f string) bool { return familyPattern(f).MatchString(name) })
}

// Explain explains a reading by its name.
func Explain(name string) (Term, bool) {
	for _, t := range terms() {
		if t.pattern.MatchString(name) || strings.EqualFold(t.Name, name) {
			t.Name = name
			return t, true
		}
	}
	return Term{}, false
}

// String is the explanation as text.
func (t Term) String() string {
	text := fmt.Sprintf("%s\n  %s\n  Document: %s\n", t.Name, t.Meaning, t.Document)
	if t.Trap != "" {
		text += "  Trap: " + t.Trap + "\n"
	}
	return text
}

// ReadingNames are the names of all readings, each family written out; N stands for a
// number.
func ReadingNames() []string {
	var all []string
	for _, row := range termTable {
		all = append(all, WrittenOut(row[0])...)
	}
	return all
}

// WrittenOut are the names of a family, one by one; N stands for a number.
func WrittenOut(family string) []string {
	before, rest, several := strings.Cut(family, "{")
	members, after, _ := strings.Cut(rest, "}")
	if !several {
		return []string{family}
	}
	var all []string
	for member := range strings.SplitSeq(members, ",") {
		all = append(all, WrittenOut(before+member+after)...)
	}
	return all
}
