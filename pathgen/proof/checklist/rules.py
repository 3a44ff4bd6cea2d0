"""The rules of the checklist: a number for each, what it is called, how grave it is, why, and what to do.

Numbers are stable: a rule keeps its number, and the number of one that is dropped is not given again. The
first digit is the theme: 1 the text, 2 heat, 3 place, 4 filament, 5 motion, 6 the head's way through what is
printed, 7 the panel. Levels: *error*, the program must not run; *warning*, somebody has to look at it;
*note*, good to know.
"""

from __future__ import annotations

from types import MappingProxyType
from typing import Literal, NamedTuple

Level = Literal["error", "warning", "note"]
LEVELS: tuple[Level, ...] = ("error", "warning", "note")
THEMES = {
    1: "text",
    2: "heat",
    3: "place",
    4: "filament",
    5: "motion",
    6: "the head's way",
    7: "panel",
}


class Rule(NamedTuple):
    """One rule."""

    title: str
    level: Level
    why: str
    do: str


_REGENERATE = "write the program anew"
_NAME_WORD = "take the word out, or name it in dialect.own_words if the controller's manual has it"

_TABLE = {
    101: Rule(
        "a line that cannot be read",
        "error",
        "what a controller makes of it is not known, so nothing after it is proven",
        "mend the line as the dialect wants it",
    ),
    102: Rule(
        "a word that this controller refuses",
        "error",
        "it stops in the middle of the work, with its heaters as they are",
        "take the word out, or name the right machine",
    ),
    103: Rule(
        "a word that the profile does not name",
        "warning",
        "most controllers pass over what they do not know, but this one may know it and act",
        _NAME_WORD,
    ),
    104: Rule(
        "no end of program",
        "error",
        "the file was cut short: heaters stay on and the head stops in the panel",
        "copy the file again, or " + _REGENERATE,
    ),
    105: Rule(
        "something stands behind the end of program",
        "warning",
        "many controllers run on past M2, and what follows was not checked",
        "delete what follows the end",
    ),
    106: Rule(
        "units not set before they count",
        "error",
        "inches or millimetres are left over from what ran before",
        "put G21 before the first length or feed",
    ),
    107: Rule(
        "distance mode not set before the first position",
        "error",
        "absolute or relative is left over from what ran before",
        "put G90 before the first move",
    ),
    108: Rule(
        "filament mode not set before filament is fed",
        "error",
        "counted the wrong way, filament runs away or is never fed",
        "put M83 or M82 before the first feed, as the dialect counts",
    ),
    109: Rule(
        "a motion without an axis word",
        "error",
        "an error of RS-274 (NISTIR 6556 3.5.2): a strict controller stops there",
        "join the feed to the next motion",
    ),
    110: Rule(
        "a motion with nothing but a feed",
        "note",
        "an error of RS-274 (NISTIR 6556 3.5.2) that controllers of this kind take as setting the feed",
        "nothing, on this kind of controller",
    ),
    111: Rule(
        "a header that was never finished",
        "error",
        "its last facts are written when the program is complete",
        _REGENERATE,
    ),
    201: Rule(
        "nozzle set hotter than the machine allows",
        "error",
        "the hot end's parts fail, give off fumes or catch fire",
        "lower the set-point",
    ),
    202: Rule(
        "nozzle set hotter than the material allows",
        "error",
        "overheated plastic decomposes and gives off fumes",
        "lower the set-point to what the spool's label allows, or name the right material",
    ),
    203: Rule(
        "platform set hotter than the machine allows",
        "error",
        "its heater and wiring are not rated for it",
        "lower the set-point",
    ),
    204: Rule(
        "platform set hotter than the material allows",
        "error",
        "the panel's foot softens and the panel tips over",
        "lower the set-point, or name the right material",
    ),
    205: Rule(
        "filament fed before the nozzle was waited for",
        "error",
        "the drive grinds cold filament, or strips it and runs on without printing",
        "set the nozzle and wait for it before the first feed",
    ),
    206: Rule(
        "filament fed with the nozzle set below the material's minimum",
        "error",
        "cold plastic jams the nozzle",
        "set the nozzle within the material's limits before it feeds",
    ),
    207: Rule(
        "filament fed after a cool-down, without waiting for heat again",
        "error",
        "the nozzle is still cold when the drive pushes",
        "wait for the nozzle before it feeds again",
    ),
    208: Rule(
        "nozzle heater still on at the end",
        "error",
        "it stays hot for hours with nobody there",
        "turn it off after the last feed",
    ),
    209: Rule(
        "platform heater still on at the end",
        "error",
        "it stays hot for hours with nobody there",
        "turn it off after the last feed",
    ),
    210: Rule(
        "heaters on while nothing moves",
        "error",
        "plastic cooks in a nozzle at rest and drips; long waits are left alone",
        "shorten the wait, or turn the heaters off for it",
    ),
    211: Rule(
        "a heater that the profile does not know",
        "warning",
        "no limit is known for it, and nothing proves that it goes off",
        "take it out, or check by hand that it is turned off",
    ),
    212: Rule(
        "the program waits for a person with its heaters on",
        "warning",
        "nobody may come for hours",
        "be there, or turn the heaters off before the stop",
    ),
    213: Rule(
        "the program stops to have something set at the machine",
        "note",
        "the machine stays hot until somebody does",
        "be there when it stops",
    ),
    214: Rule(
        "fan still on at the end",
        "warning",
        "it runs until the machine is switched off",
        "turn it off in the finish block",
    ),
    215: Rule(
        "motors not released at the end",
        "warning",
        "they keep their current and grow hot",
        "release them in the finish block",
    ),
    301: Rule(
        "the head leaves the build volume",
        "error",
        "it drives against the frame",
        "move the panel, or name the right machine",
    ),
    302: Rule(
        "the nozzle goes below the platform",
        "error",
        "it presses into the platform",
        "raise the move, or correct the machine's z_zero",
    ),
    303: Rule(
        "filament fed with the nozzle on the platform",
        "error",
        "the plastic has nowhere to go, and the nozzle scores the platform",
        "raise the first layer, or correct the machine's z_zero",
    ),
    304: Rule(
        "a bead or a low way inside a keep-out zone",
        "error",
        "the nozzle meets what stands there",
        "move the panel, or correct the zone or its height",
    ),
    305: Rule(
        "the head passes over a keep-out zone",
        "warning",
        "how high what stands there is, the profile does not say",
        "see that it is lower than the head's way, and give the zone its height",
    ),
    306: Rule(
        "the head moves before it is homed",
        "error",
        "where it is, is not known yet",
        "home all axes first",
    ),
    307: Rule(
        "z is homed after something was printed",
        "error",
        "the nozzle comes down into the panel",
        "home x and y alone",
    ),
    308: Rule(
        "the head moves after its motors were released",
        "error",
        "the axes have lost their places",
        "home again, or release the motors later",
    ),
    309: Rule(
        "the axes are shifted",
        "warning",
        "the volume was checked with the shift, but a wrong shift is easily made",
        "leave x, y and z as homing sets them",
    ),
    401: Rule(
        "filament drawn back and fed back do not balance",
        "warning",
        "beads begin with a gap, or with a blob",
        "feed back as much as was drawn back",
    ),
    402: Rule(
        "more filament drawn back than the machine's retraction",
        "warning",
        "molten filament is drawn into the cold part of the hot end and jams",
        "shorten the retraction",
    ),
    403: Rule(
        "feed of filament does not fit the spacing of the beads",
        "warning",
        "the wall is not as solid as it is meant to be, and its light is wrong",
        "check the filament's diameter and the packing",
    ),
    404: Rule(
        "feed of filament far from the spacing of the beads",
        "error",
        "overfed, the nozzle tears the panel off; underfed, it falls apart and the head prints into the air",
        "check the filament's diameter, the filament mode and the units",
    ),
    405: Rule(
        "a bead far too thick",
        "error",
        "a lump grows round the nozzle and tears the panel off",
        "check the filament word of the line",
    ),
    406: Rule(
        "filament in all is not what the header says",
        "warning",
        "the text was changed after it was written",
        _REGENERATE,
    ),
    501: Rule(
        "feed above what an axis can do",
        "warning",
        "a controller that does not slow it down by itself loses steps",
        "lower the feed",
    ),
    502: Rule(
        "filament fed faster than its drive can do",
        "warning",
        "the drive slips and grinds the filament",
        "lower the feed",
    ),
    503: Rule(
        "more plastic asked for than the hot end melts",
        "error",
        "the drive slips, and half-molten plastic jams the nozzle",
        "lower the feed",
    ),
    504: Rule(
        "filament fed before any feed was set",
        "error",
        "an error of RS-274, or the feed left over from what ran before",
        "give the first motion a feed",
    ),
    505: Rule(
        "one move takes very long",
        "warning",
        "a hot nozzle that crawls cooks the plastic; feeds are in units a minute",
        "check the feed",
    ),
    506: Rule(
        "acceleration set above what an axis can do",
        "warning",
        "the motors lose steps and the panel is shaken",
        "lower it to the machine's figures",
    ),
    601: Rule(
        "the nozzle goes through what is printed",
        "error",
        "it knocks the panel over",
        "lift before the way across",
    ),
    602: Rule(
        "the head meets what is printed",
        "error",
        "it knocks the panel over",
        "leave the head more room, or make the panels abreast",
    ),
    603: Rule(
        "ways of the head that were not followed",
        "warning",
        "heights change too often to follow each of them",
        "watch the head where it comes down",
    ),
    701: Rule(
        "a layer higher than the nozzle can press down",
        "warning",
        "beads over 0.8 of the nozzle do not hold to the layer below (common practice)",
        "lower the layers, or use a wider nozzle",
    ),
    702: Rule(
        "layer height is no whole number of motor steps",
        "note",
        "layers alternate between too high and too low",
        "choose a whole multiple of the step",
    ),
    703: Rule(
        "the face leans out too far",
        "warning",
        "beads hang over nothing and sag",
        "lower the slope, or look at the place while it is made",
    ),
    704: Rule(
        "the outline leans out too far",
        "warning",
        "beads begin in the air",
        "set a comb under it",
    ),
    705: Rule(
        "a support touches the picture's face",
        "warning",
        "it leaves a scar where it is broken off",
        "widen the gap",
    ),
    706: Rule(
        "layers are missing",
        "error",
        "the head prints over a gap, or the panel is not whole",
        _REGENERATE,
    ),
    707: Rule(
        "a header that cannot be used",
        "warning",
        "the panel could not be laid down and judged",
        "correct the header, or take it off",
    ),
    708: Rule(
        "nothing says how the panel stands",
        "note",
        "whether anything leans out was not judged",
        "look at it yourself",
    ),
    709: Rule(
        "plastic fed beside the panel",
        "warning",
        "the text does not make what its header says",
        _REGENERATE,
    ),
}
RULES = MappingProxyType(_TABLE)
"""Every rule by its number."""
