"""Writes a WAV's samples, as scipy reads them, to standard output: doubles,
interleaved, full scale 1."""
import sys

import numpy
from scipy.io import wavfile

_, data = wavfile.read(sys.argv[1])
if data.dtype == numpy.uint8:
    data = (data.astype(float) - 128) / 128
elif data.dtype.kind == "i":
    data = data.astype(float) / 2.0 ** (8 * data.dtype.itemsize - 1)
sys.stdout.buffer.write(data.astype("<f8").tobytes())
