"""Limits and usual values of the trade: each stated once, its source and how that was confirmed beside it.

Read as: [C] read in the source's own text, [S] read in a secondary copy only, "common practice" and
"own choice" have no source. The maker's instructions and local rules come first. There is no target
band, gas pressure or input rate here on purpose: those come from the data plate.
"""

from collections.abc import Mapping
from types import MappingProxyType

# Carbon monoxide in the dry flue of a boiler, ppm air-free. ANSI/BPI-1200-S-2017 [S].
CO_AIR_FREE_PPM = 400.0

# CO over CO2 of a boiler on natural gas, both dry: below the first is good; above the second it is not left
# in service. BS 7967 [S].
CO_CO2_RATIO, CO_CO2_RATIO_OUT_OF_SERVICE = 0.004, 0.008

# Shortest waits, s: after a turn of the screw, and after a change of firing rate. Common practice.
USUAL_MIN_WAIT_S: Mapping[str, float] = MappingProxyType({"offset": 60.0, "throttle": 60.0, "firing": 30.0})

# From lighting the burner to the first reading that counts, s. 1. BImSchV Annex 2: flue measurements not before
# 2 min after burner start [C].
START_WAIT_S = 120.0

# Largest single move without a word from the maker's instructions, turns. Common practice, the
# throttle's figure from memory.
USUAL_CAP_TURNS: Mapping[str, float] = MappingProxyType({"offset": 1 / 12, "throttle": 1 / 8})

# Largest single move ever advised or allowed, whatever is stated, turns. Own choice: twice the usual cap.
HARD_CAP_TURNS: Mapping[str, float] = MappingProxyType({"offset": 1 / 6, "throttle": 1 / 4})

# Step in which moves are advised, turns. Own choice: half the offset's usual cap, and still seen by eye.
USUAL_MARK_TURNS: Mapping[str, float] = MappingProxyType({"offset": 1 / 24, "throttle": 1 / 24})

# Net turn from as found beyond which a sound valve is doubted, turns. Own choice: of the bench's made-up boilers those
# with usual gains all reach the band within 1 turn, of those with a third or thrice the gain 99 % within 2.
USUAL_TRAVEL_TURNS: Mapping[str, float] = MappingProxyType({"offset": 2.0, "throttle": 2.0})
