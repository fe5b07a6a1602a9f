"""Shares of the lines of a family by the layered calculation, which knows nothing of the fit."""

import numpy as np

from xrfmap.physics.detector import efficiency
from xrfmap.physics.layers import Stack, emission
from xrfmap.physics.tube import excitation
from xrfmap.settings import Instrument
from xrfmap.spectra.emitters import Emitter


def calculated_shares(emitter: Emitter, stack: Stack, instrument: Instrument) -> np.ndarray:
    """Shares as the detector sees them, in the order of `emitter.lines`."""
    seen = {}
    for line, rate in emission(stack, excitation(instrument), instrument):
        if line.label == emitter.label:
            found = rate * float(efficiency(np.array([line.energy_kev]), instrument)[0])
            seen[line.siegbahn] = seen.get(line.siegbahn, 0.0) + found
    shares = np.array([seen[name] for name in emitter.lines])
    return shares / shares.sum()
