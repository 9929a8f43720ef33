"""What an apparatus implies for the people beside it. Local rules and trained practice come first.

The usual cautions of the trade (common practice, no source); none is a threshold.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from icewright.apparatus.model import Apparatus

DEFER = (
    "These are reminders, not instructions: follow your local rules, your risk assessment, and people "
    "licensed or trained for the work."
)
HIGH_VOLTAGE = (
    "High voltage: use a current-limited supply with interlock, ground the chamber, discharge before "
    "touching, never work alone; frost lowers insulation."
)
COLD_SURFACES = "Cold surfaces freeze skin to them and make parts brittle: dry gloves, no bare hands."
CRYOGEN = (
    "Liquid nitrogen displaces oxygen without warning, condenses oxygen from air, and bursts whatever it "
    "is sealed in: ventilation, oxygen alarm, face shield, never in a closed cold room or lift, never a "
    "sealed vessel."
)
DRY_ICE = (
    "Dry ice gives off carbon dioxide that gathers unseen: ventilation and alarm, not in cold rooms, "
    "closed rooms or lifts, never in a sealed container; insulated gloves."
)
VAPOURS = (
    "Vapours of solvents or acids ({names}) ignite at sparks, heaters and high voltage, and are "
    "poisonous: fume extraction, no ignition source, the sheet of each substance read first."
)
SPARK = "High voltage and solvent vapour together: keep the voltage off until the vapour is cleared."
LASER = "Laser of class {laser}: eyewear and enclosure as its class demands; ice facets throw beams about."
VACUUM = "Glass under vacuum may implode: shield and eye protection, no scratched glass."
MAINS = "Meltwater and mains: drip loops, residual-current protection, plugs above the floor."

_CRYOGENS = ("nitrogen", "cryogen", "argon", "helium", "oxygen")


def cautions(apparatus: Apparatus) -> list[str]:
    """Sentences for this apparatus, most serious first, ending with whom to defer to."""
    kit = apparatus.equipment
    coolant = kit.coolant.lower()
    said = []
    if kit.voltage_kv or "volts" in apparatus.notes or "voltage_kv" in apparatus.notes:
        said.append(HIGH_VOLTAGE)
    if any(word in coolant for word in _CRYOGENS):
        said.append(CRYOGEN)
    if "dry ice" in coolant or "carbon dioxide" in coolant:
        said.append(DRY_ICE)
    vapours = [*kit.vapours, *([str(apparatus.notes["additive"])] if apparatus.notes.get("additive") else [])]
    if any(word in coolant for word in ("alcohol", "ethanol", "methanol", "isopropanol", "acetone")):
        vapours.append(kit.coolant)
    names = ", ".join(dict.fromkeys(vapours))
    if names:
        said.append(VAPOURS.format(names=names))
        if HIGH_VOLTAGE in said:
            said.append(SPARK)
    if kit.laser_class:
        said.append(LASER.format(laser=kit.laser_class))
    if kit.vacuum_glass:
        said.append(VACUUM)
    if any(setting.low < 0 for name, setting in apparatus.settings.items() if name.endswith("_c")):
        said.append(COLD_SURFACES)
    said.append(MAINS)
    said.append(DEFER)
    return said
