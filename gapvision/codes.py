"""Registry of every refusal, warning and note that gapvision can give.

The table in codes.md, the page and the tests are made from this list, so that
code, table and manual cannot drift apart.

Kinds
-----
refusal
    The photo, file or request cannot be used; nothing is measured.
warning
    Measured, but a person must look: the status becomes ``warn``.
note
    Good to know; the status stays ``ok``.
usage
    A command was called with something that cannot be understood (exit code 2).
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Code:
    """One registered code.

    Attributes
    ----------
    name : str
        Kebab-case reference.
    kind : str
        ``refusal``, ``warning``, ``note`` or ``usage``.
    text : str
        Default sentence: what is wrong.
    next_step : str
        Default advice: what to do.
    """

    name: str
    kind: str
    text: str
    next_step: str


_KINDS = ("refusal", "warning", "note", "usage")

_ALL = (
    # --- the page ------------------------------------------------------------------
    Code(
        "too-many-photos",
        "usage",
        "There are already very many photos on this page.",
        "Open the page anew, or take out photos that are no longer needed.",
    ),
    # --- reading files -------------------------------------------------------------
    Code("file-not-found", "usage", "The file could not be found.", "Check the name and the folder, then try again."),
    Code(
        "file-unreadable",
        "usage",
        "The file could not be read as a picture.",
        "Choose a JPEG, PNG, TIFF, WebP or HEIC photo, or copy it from the phone again.",
    ),
    Code(
        "file-too-large",
        "usage",
        "The picture is larger than gapvision will open.",
        "Use the photo as the phone stored it, or a smaller picture size in the camera's settings.",
    ),
    Code("file-empty", "usage", "The file is empty.", "Copy the photo from the phone again."),
    Code(
        "file-cut-off", "usage", "The picture is cut off: its end is missing.", "Copy the photo from the phone again."
    ),
    Code("file-is-folder", "usage", "That is a folder, not a picture.", "Name one photo inside the folder."),
    Code(
        "file-not-permitted",
        "usage",
        "The file may not be read by this user.",
        "Change the file's permissions, or copy it to a folder of your own.",
    ),
    Code(
        "file-kind-unknown",
        "usage",
        "The file is not a kind of picture that gapvision opens.",
        "Choose a JPEG, PNG, TIFF, WebP or HEIC photo.",
    ),
    Code(
        "length-not-understood",
        "usage",
        "The length could not be understood.",
        "Write it like 4.76mm, 0.1875in or 3/16in.",
    ),
    Code(
        "value-out-of-range",
        "usage",
        "A value is outside what makes sense here.",
        "Check the value and its unit, then try again.",
    ),
    Code(
        "measurement-file-bad",
        "usage",
        "The file is not a gapvision measurement.",
        "Choose a file written by 'gapvision measure --json'.",
    ),
    Code(
        "folder-not-writable",
        "usage",
        "The result could not be written there.",
        "Choose another folder or free some space, then try again.",
    ),
    # --- printing strips -----------------------------------------------------------
    Code("paper-unknown", "usage", "There is no sheet for that paper.", "Choose --paper a4 or --paper letter."),
    Code(
        "strip-letters-not-understood",
        "usage",
        "It is not clear which strips are wanted.",
        "Write the letters like A-D or A,C; strips run from A to H.",
    ),
    # --- measuring: refusals ---------------------------------------------------------
    Code(
        "strip-not-found",
        "refusal",
        "No gapvision strip was found in the photo.",
        "Lay a printed strip beside the seam, flat and fully in view, and take the photo again.",
    ),
    Code(
        "foreign-target",
        "refusal",
        "There are printed markers in the photo, but not those of a gapvision strip.",
        "Print the sheets made by 'gapvision strips' and use those.",
    ),
    Code(
        "field-not-converged",
        "refusal",
        "The strips' corners do not fit together on one gently curved surface.",
        "Lay each strip flat on one panel, none over an edge or a fold, show them whole, and take the photo again.",
    ),
    Code(
        "too-few-corners",
        "refusal",
        "Too little of the strip can be seen.",
        "Get the whole strip into the picture, uncovered, and take the photo again.",
    ),
    Code(
        "strip-too-small",
        "refusal",
        "The strip is too small in the picture to measure from.",
        "Go nearer: the strip should fill at least a third of the picture's length.",
    ),
    Code(
        "photo-blurred",
        "refusal",
        "The photo is blurred.",
        "Rest the phone or your elbow on something, tap on the seam to focus, and take the photo again.",
    ),
    Code(
        "tilt-too-large",
        "refusal",
        "The camera looked at the seam far too much from the side.",
        "Hold the camera square above the gap and take the photo again.",
    ),
    Code(
        "gap-out-of-frame",
        "refusal",
        "The gap beside the strip lies outside the picture.",
        "Step back or move the camera until the strip and the whole gap beside it are in view.",
    ),
    Code(
        "seam-not-found",
        "refusal",
        "No gap could be found beside the strip.",
        "Check that a seam runs beside the strip, light it evenly or from behind, or show it with two points.",
    ),
    Code(
        "line-too-narrow",
        "refusal",
        "Beside the strip only a thin line was found; it may be chalk, a pen stroke or a scratch.",
        "Get the seam itself into the picture, or show where it lies with two points.",
    ),
    Code(
        "edges-not-found",
        "refusal",
        "The gap was found, but its edges could not be told apart from what is around them.",
        "Slip white paper into the gap or light it from behind, and take the photo again.",
    ),
    # --- measuring: warnings ---------------------------------------------------------
    Code(
        "edge-overexposed",
        "warning",
        "The panel beside the gap is burnt out to white, so its edge is eaten into.",
        "Turn the light away from the panel or lower the exposure, and take the photo again.",
    ),
    Code(
        "edge-underexposed",
        "warning",
        "The panel beside the gap is almost black, so its edge hardly shows.",
        "Bring more light on to the panel, or light the gap from behind.",
    ),
    Code(
        "tilt-large",
        "warning",
        "The camera looked at the seam from the side, so a step between the panels changes the gap.",
        "Hold the camera square above the gap, or lay a strip on each side so that the step is measured.",
    ),
    Code(
        "resolution-low",
        "warning",
        "The photo has too few pixels per millimetre for the tolerance asked.",
        "Go nearer, or use the camera's full resolution.",
    ),
    Code(
        "two-seams",
        "warning",
        "Two lines beside the strip look equally like a gap.",
        "Show which seam is meant with two points along it, or move the strip nearer to it.",
    ),
    Code(
        "strip-lifted",
        "warning",
        "A strip does not lie flat on the panel.",
        "Press the strip down along its whole length and take the photo again.",
    ),
    Code(
        "strip-damaged",
        "warning",
        "Part of a strip is hidden, dirty or torn.",
        "Clean or replace the strip; what could be read of it was used.",
    ),
    Code(
        "lens-smeared",
        "warning",
        "The picture is hazy: the lens may be greasy or a lamp shines into it.",
        "Wipe the lens, shade it from the lamp, and take the photo again.",
    ),
    Code(
        "edge-doubtful",
        "warning",
        "Along much of the seam it is not certain which line is the panel's edge.",
        "Slip white paper into the gap or light it from behind, dimmed until it is not burnt out.",
    ),
    Code(
        "seam-unfamiliar",
        "warning",
        "The seam looks like nothing that the edge detector was taught on; plain rules measured it.",
        "Look at the drawn edges with care; more even light, or white paper in the gap, makes the photo a usual one.",
    ),
    Code(
        "coverage-low",
        "warning",
        "Only part of the seam beside the strips could be measured.",
        "Look at the holes in the plot: clean, light or uncover those places and take the photo again.",
    ),
    Code(
        "print-scale-matters",
        "warning",
        "Without the length of the printed check lines the gap is not known well enough.",
        "Measure the 200 mm and the 150 mm line on the sheet with a steel rule and give both lengths.",
    ),
    Code(
        "edge-contradicted",
        "warning",
        "An edge was stated to be made one way, but in the photo it looks made another way.",
        "Feel the edge, and check that A is the panel with the lowest strip letter. If you are right, light it from "
        "another side: a roll that is lit evenly looks cut.",
    ),
    Code(
        "step-contradicted",
        "warning",
        "The step that was stated is not the one that the strips give.",
        "Check its sign (face B above face A is positive), measure it again at the gap, and press the strips down.",
    ),
    Code(
        "stated-side-unsure",
        "warning",
        "What was stated differs between the panels and a strip may have been missed: A and B may have changed places.",
        "Look which panel was taken for A. If it is the wrong one, swap what you stated, or clean the other strip and "
        "take the photo again. With strips on one side only, lay strip A there.",
    ),
    # --- measuring: notes --------------------------------------------------------------
    Code(
        "gap-burnt-out",
        "note",
        "The light in the gap is burnt out; the gap reads a little too wide and U allows for it.",
        "Dim the lamp until the gap is bright but not pure white.",
    ),
    Code(
        "print-scale-unchecked",
        "note",
        "The printed check lines were not measured; U allows for a printer that scales.",
        "Measure the 200 mm and the 150 mm line on the sheet with a steel rule and give both lengths.",
    ),
    Code(
        "focal-unknown",
        "note",
        "The photo does not say with which focal length it was taken; it was worked out from the strips.",
        "Use the photo as the phone stored it, not a copy from a messenger.",
    ),
    Code(
        "step-unknown",
        "note",
        "Strips lie on one side only, so a step in height between the panels is not known; U allows for it.",
        "Lay a strip on each side of the seam, or measure the step by hand with a straight-edge and state it.",
    ),
    Code(
        "known-stated",
        "note",
        "How an edge is made, or the step between the panels, was stated, not measured; gap and U rest on it.",
        "Nothing, if it is right; else correct it and measure again.",
    ),
    # --- records ---------------------------------------------------------------------
    Code("job-not-found", "usage", "There is no such job.", "See 'gapvision job list' for the references there are."),
    Code("job-exists", "usage", "There is a job of that reference already.", "Choose another reference."),
    Code(
        "seam-not-in-job",
        "usage",
        "The job has no such seam.",
        "Use one of the job's seams, or add this one to the job.",
    ),
    Code("seam-exists", "usage", "The job has a seam of that name already.", "Choose another name or side."),
    Code(
        "visit-not-found", "usage", "The job has no such visit.", "See 'gapvision job show' for the visits there are."
    ),
    Code(
        "measurement-not-found",
        "usage",
        "There is no such measurement.",
        "See 'gapvision job show' for the measurements there are.",
    ),
    Code(
        "bin-item-not-found",
        "usage",
        "There is nothing like that to delete or bring back.",
        "See 'gapvision job bin' for what can be brought back.",
    ),
    Code("record-text-bad", "usage", "A text cannot be used as it is.", "Correct it and try again."),
    Code("shop-setting-bad", "usage", "The setting cannot be used.", "Choose another value and try again."),
    Code(
        "records-newer",
        "usage",
        "The records were written by a newer gapvision.",
        "Install that gapvision or a newer one; nothing was changed.",
    ),
    Code(
        "records-damaged",
        "usage",
        "The records cannot be read.",
        "Nothing was changed. Open your latest backup with --data, and keep the damaged folder.",
    ),
    Code(
        "records-busy",
        "usage",
        "Another program kept the records busy for a minute.",
        "Wait for it to finish, then save again; nothing was lost.",
    ),
    Code(
        "stored-photo-missing",
        "usage",
        "A photo is missing from the data folder.",
        "Copy it back from your latest backup; its name is its fingerprint.",
    ),
    Code(
        "stored-photo-changed",
        "usage",
        "A stored photo was changed after it was stored.",
        "Copy it back from your latest backup; it is no evidence as it is.",
    ),
    Code("backup-target-bad", "usage", "The backup cannot go there.", "Choose another folder, best on another disk."),
    Code(
        "comparison-no-overlap",
        "usage",
        "The two measurements share less than 40 mm (1.6 in) of seam.",
        "Compare photos of the same stretch, or tap the same mark in both.",
    ),
    Code(
        "alignment-weak",
        "warning",
        "The profiles have too few features to tell for sure how they lie on each other.",
        "Leave a strip in its place between the photos, or tap a mark that both show.",
    ),
    Code(
        "photo-has-no-profile",
        "usage",
        "That photo was refused, so there is no profile to use.",
        "Choose a measurement with status ok or warn.",
    ),
    Code(
        "datum-missing",
        "usage",
        "The two photos cannot be laid on each other that way.",
        "Use --datum align, or give the same mark in both photos with --mark.",
    ),
    Code(
        "stored-verdict-bad",
        "usage",
        "The stored verdict cannot be read.",
        "Judge the result again with 'gapvision job judge'.",
    ),
    Code("job-data-bad", "usage", "The export's job cannot be read.", "Ask for the export again; nothing was stored."),
    Code(
        "job-here-already",
        "usage",
        "This job is in the records already.",
        "Delete the one here first if you want the export's state; nothing was changed.",
    ),
    Code(
        "package-bad",
        "usage",
        "The file is not a job exported by gapvision.",
        "Choose a zip made by 'gapvision export'.",
    ),
    Code(
        "package-unsafe",
        "usage",
        "The zip is not safe to open.",
        "Do not use it; ask who sent it to export the job again.",
    ),
    Code(
        "package-altered",
        "usage",
        "The export was altered after it was made.",
        "Ask for the zip as it was exported; nothing was stored.",
    ),
    Code("package-too-large", "usage", "The job is too large for one zip.", "Export it visit by visit with --visit."),
    Code(
        "conditions-differ",
        "warning",
        "The conditions before and after differ.",
        "Latches, seals, supports and heat move panels: repeat one of the two under the other's conditions.",
    ),
    Code(
        "conditions-not-said",
        "note",
        "Some conditions were not ticked at both visits.",
        "Tick the checklist at each visit, so that before and after can be compared.",
    ),
    # --- judgement -----------------------------------------------------------------
    Code(
        "specification-unreadable",
        "usage",
        "The specification could not be understood.",
        "Correct the line named and try again; the README shows a whole file.",
    ),
    Code(
        "specification-nonsense",
        "usage",
        "The specification cannot be meant as it is written.",
        "Check the numbers and their units.",
    ),
    Code("preset-unknown", "usage", "There is no ready specification of that name.", "See 'gapvision judge --help'."),
    Code("rule-unknown", "usage", "There is no such decision rule.", "Choose proven, simple or risk."),
    Code(
        "finish-nonsense",
        "usage",
        "The finish plan cannot be meant as it is written.",
        "Check the coats, their films and the stage of the work.",
    ),
    Code(
        "panel-file-bad",
        "usage",
        "The panel file could not be understood.",
        "Correct the line named and try again; sample_images/panel_example has a whole file.",
    ),
    Code(
        "plan-file-bad",
        "usage",
        "The file is not a plan of gapvision.",
        "Choose the panel file itself, or a file written by 'gapvision plan --json'.",
    ),
    Code(
        "nothing-to-judge",
        "usage",
        "The measurement has no station, so there is nothing to judge.",
        "Photograph the seam again as the advice of the measurement says.",
    ),
    Code(
        "measurement-was-refused",
        "refusal",
        "The photo was refused, so there is no gap to judge.",
        "Do what the measurement's advice says and photograph the seam again.",
    ),
    Code(
        "opposite-does-not-overlap",
        "usage",
        "The two seams have no stations in common.",
        "Choose measurements of the same stretch on both sides of the car.",
    ),
    Code(
        "template-has-no-line",
        "usage",
        "The plan has no edge to change, so there is no line to draw.",
        "Name a seam with a trim line, or see what the plan says about the move.",
    ),
    Code(
        "travel-unlimited",
        "note",
        "No travel was entered for the adjusters, so the move may be more than they allow.",
        "Enter travel_x, travel_y and travel_out of each hinge, latch and shim point.",
    ),
    Code(
        "local-fault-governs",
        "note",
        "One short place of an edge governs the move, so the other gaps are worse than they could be.",
        "Set aim to least work: the move then leaves such a place to the trim.",
    ),
    Code(
        "travel-stops-move",
        "note",
        "The adjusters' travel stops the move before the gaps are as even as they could be.",
        "Slot the holes further or change the shims, if the panel and its mountings allow it.",
    ),
    Code(
        "line-not-possible",
        "note",
        "No straight line brings every station within its limits.",
        "See between which stations it fails and by how much; part of the neighbour's edge has to change too, or "
        "metal be added.",
    ),
    Code(
        "safe-limit-reached",
        "note",
        "The safe limit (fold, flange, spot welds) stops the trim.",
        "Never cut beyond it: set the panel further away, or change the neighbour's edge.",
    ),
    Code(
        "safe-limit-missing",
        "note",
        "No safe limit was entered for the edge, so the cut may reach a fold, a flange or spot welds.",
        "Measure how far the fold or the flange lies from the edge and enter it as safe_limit.",
    ),
    Code(
        "film-thick",
        "note",
        "The coats add up to more film than is usually advised.",
        "Check the number of coats; above about 300 micrometres the usual advice is to strip or sand back.",
    ),
    Code(
        "film-common-practice",
        "note",
        "The film of some coats is a common-practice range, not data.",
        "Enter the range from the paint maker's data sheet: the data sheet rules.",
    ),
    Code(
        "film-eats-tolerance",
        "note",
        "The doubt about the film is larger than the tolerance, so no bare-metal gap is sure to end in it.",
        "Measure the film on an edge, or allow more on the finished gap.",
    ),
    Code(
        "seam-in-pieces",
        "note",
        "The photos of a seam share no common straight reference, so each gets a line of its own.",
        "Join the lines on the panel with a straight-edge, or take one photo with more strips along the seam.",
    ),
    Code(
        "proof-not-possible",
        "note",
        "U is too large for the limits, so the plan aims at the wanted gap itself.",
        "Photograph the seam as the measurement's advice says to get a smaller U.",
    ),
)

CODES: dict[str, Code] = {c.name: c for c in _ALL}

if len(CODES) != len(_ALL):  # pragma: no cover - a programming fault, caught on import
    raise ValueError("a code is listed twice")
for _c in _ALL:
    if _c.kind not in _KINDS or not _c.text or not _c.next_step:  # pragma: no cover
        raise ValueError(f"code {_c.name} is not complete")
