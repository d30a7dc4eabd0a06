"""Cautions, each shown where it applies.  What is shown never replaces the local rules.

The facts rest on the regulators' and trade pages named in the developers' notes, or are common practice.
"""

from __future__ import annotations

#: Key -> caution. The first and the rules are shown with every plan.
CAUTIONS: dict[str, str] = {
    "fit-only": "Judged here is the fit of the gap and its edges only, never strength, crash behaviour or the "
    "safety of a hinge or latch.",
    "conditions": "Gaps move with latches, seals, shims, supports and temperature; compare only what was measured "
    "under the conditions stated.",
    "rules": "The local rules, the makers' product data and safety sheets, and people qualified for the work "
    "rule over anything said here.",
    "pinch": "Panels, hinges and edges pinch when a panel is shifted or test-closed: two people for a heavy "
    "panel, fingers clear, gloves on trimmed edges.",
    "prop": "A raised bonnet or boot lid can drop: gas springs weaken, prop rods slip. Put a second support "
    "under it before leaning in.",
    "latch": "After any change at hinge, latch or striker: close the bonnet, pull up at its edge, and see that "
    "the main latch and the safety catch both hold, before the car moves.",
    "door-latch": "After any change at hinge, latch or striker: see that the door or lid latches to its second "
    "position and that its seal still seats, before the car moves.",
    "lead": "Body solder and old paint can contain lead: test first, no dry sanding, grinding or overheating of "
    "it, keep dust and fume away from the home; children and pregnant women are most at risk.",
    "two-pack": "Two-pack primers and paints (isocyanates) can cause lasting asthma: a filter mask is not "
    "enough for spraying them, air-fed breathing apparatus and a proper booth are.",
    "grinding": "Grinding and cutting: guard on, eyes, face, hearing and hands protected, sparks away from "
    "fuel, cloth and fresh paint, the disc fit for the tool's speed.",
    "welding": "Welding an edge up: fire watch, fume (zinc on galvanised sheet), battery and airbag modules "
    "disconnected as the maker says.",
    "safe-limit": "Never cut into a fold, a flange or spot welds: find them first and enter how far they lie "
    "from the edge.",
}
