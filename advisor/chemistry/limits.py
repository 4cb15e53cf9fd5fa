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
OFFSET_MIN_WAIT_S = 60.0
THROTTLE_MIN_WAIT_S = 60.0
LOW_FIRE_MIN_WAIT_S = 30.0

# From lighting the burner to the first reading that counts, s. 1. BImSchV Annex 2: flue measurements not before
# 2 min after burner start [C].
START_WAIT_S = 120.0

USUAL_MIN_WAIT_S: Mapping[str, float] = MappingProxyType(
    {"offset": OFFSET_MIN_WAIT_S, "throttle": THROTTLE_MIN_WAIT_S, "firing": LOW_FIRE_MIN_WAIT_S}
)

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

# How far the O2 reading may lie from the fuel's own line before fuel or analyser is doubted, % O2. Own
# choice: pipeline gases differ among themselves by 0.2 to 0.3 (CO2 max 11.7 to 11.9 % at 9 % CO2), two
# displays that step by 0.1 add 0.15, two cells within their accuracy the rest.
FUEL_LINE_TOLERANCE_PCT = 0.6

# Least O2 that a band's upper edge may leave, and that a turn may leave at the rate nobody is looking at, % O2.
# Own choice: below it CO begins, and a display step or two is rich.
LEAST_O2_AT_EDGE_PCT = 1.5

# CO that has begun to climb with CO2, though it is not near its limit yet: so many times the CO read at less CO2,
# and so much, ppm air-free. Own choice: flicker and cross-talk of a sound burner's 10 to 40 ppm stay far below.
CO_JUMP_TIMES = 3.0
CO_JUMP_PPM = 100.0
