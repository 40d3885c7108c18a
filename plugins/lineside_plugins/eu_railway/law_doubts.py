"""How far the sound power of the mechanisms, and tabulated roughness, may be off. The law states no uncertainty.

All half-widths are read as holding 9 times in 10.
"""

from __future__ import annotations

from lineside.contracts import Doubt, Standing

#: The law asks for inputs by which the emission is right within 2 dB(A); the same is taken for what comes of them.
ROLLING = Doubt(
    2.0,
    Standing.ASSUMPTION,
    "Directive 2002/49/EC, Annex II, asks for inputs by which emission is right within 2 dB(A) (read); taken here for "
    "the tabulated transfer functions together, as holding 9 times in 10 (assumption)",
)
_JUDGED = "judged by lineside's authors, no source: measure pass-bys at the site to replace it"
IMPACT = Doubt(3.0, Standing.ASSUMPTION, f"one tabulated joint stands for all joints; {_JUDGED}")
SQUEAL = Doubt(
    5.0, Standing.ASSUMPTION, f"a fixed rise by radius, while squeal comes and goes from pass to pass; {_JUDGED}"
)
TRACTION = Doubt(3.0, Standing.ASSUMPTION, f"tabulated classes stand for many kinds of drive; {_JUDGED}")
AERODYNAMIC = Doubt(3.0, Standing.ASSUMPTION, f"one tabulated train stands for all; {_JUDGED}")
BRIDGE = Doubt(4.0, Standing.ASSUMPTION, f"a tabulated class stands for each bridge; {_JUDGED}")

#: By how far the roughness of one place or train may differ from that of its tabulated class.
ROUGHNESS = {
    "rail_roughness": Doubt(
        3.0, Standing.ASSUMPTION, f"a class stands for a network, the rails at one place differ from it; {_JUDGED}"
    ),
    "wheel_roughness": Doubt(
        2.0, Standing.ASSUMPTION, f"a class stands for a kind of brake, the wheels of one fleet differ; {_JUDGED}"
    ),
}
