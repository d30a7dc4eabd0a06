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

#: Three lines a code: kind and name, what is wrong, what to do.
_TABLE = """# the page
usage too-many-photos
    There are already very many photos on this page.
    Open the page anew, or take out photos that are no longer needed.

# reading files
usage photos-too-many
    At most forty photos of one seam are measured together.
    Leave some out, or measure them one by one.
usage file-not-found
    The file could not be found.
    Check the name and the folder, then try again.
usage file-unreadable
    The file could not be read as a picture.
    Choose a JPEG, PNG, TIFF, WebP or HEIC photo, or copy it from the phone again.
usage file-too-large
    The picture is larger than gapvision will open.
    Use the photo as the phone stored it, or a smaller picture size in the camera's settings.
usage file-empty
    The file is empty.
    Copy the photo from the phone again.
usage file-cut-off
    The picture is cut off: its end is missing.
    Copy the photo from the phone again.
usage file-is-folder
    That is a folder, not a picture.
    Name one photo inside the folder.
usage file-not-permitted
    The file may not be read by this user.
    Change the file's permissions, or copy it to a folder of your own.
usage file-kind-unknown
    The file is not a kind of picture that gapvision opens.
    Choose a JPEG, PNG, TIFF, WebP or HEIC photo.
usage length-not-understood
    The length could not be understood.
    Write it like 4.76mm, 0.1875in or 3/16in.
usage value-out-of-range
    A value is outside what makes sense here.
    Check the value and its unit, then try again.
usage measurement-file-bad
    The file is not a gapvision measurement.
    Choose a file written by 'gapvision measure --json'.
usage edge-has-no-gap
    The file holds one edge alone: there is no gap in it.
    Draw the part with 'gapvision template FILE --gap 4mm'; measure the seam once the part is in.
usage seam-closes
    A seam that goes round has no place on a panel, and no plan can be made of it.
    Judge it with 'gapvision judge'; measure each side that runs straight by itself, without --closed, to plan it.
usage closed-needs-one-photo
    A seam that goes round is measured in one photo.
    Take one photo that shows all of it, or measure each photo by itself.
usage part-too-large
    No part is left inside the edge, less the wanted gap.
    Check the wanted gap, and that the strip lies on the panel whose edge was measured.
usage folder-not-writable
    The result could not be written there.
    Choose another folder or free some space, then try again.
usage output-taken
    An output would take the place of a file that is there.
    Give another name, or a folder: there each result gets a name of its own.
usage disk-full
    The disk is full.
    Make room on it and try again; nothing was overwritten.
usage command-not-understood
    The command could not be understood.
    See 'gapvision --help'.

# printing strips
usage paper-unknown
    There is no sheet for that paper.
    Choose --paper a4 or --paper letter.
usage strip-letters-not-understood
    It is not clear which strips are wanted.
    Write the letters like A-D or A,C; strips run from A to H.
usage sheet-file-bad
    What is kept of a sheet's check lines cannot be used.
    Measure both check lines again and give them with 'gapvision sheet'.
usage proof-file-bad
    What is kept of a phone's study cannot be used.
    Make the study again with 'gapvision prove', or remove the file that is named.
usage study-file-bad
    The study's file cannot be used.
    Write a new one to fill in: 'gapvision prove --example study.toml'.
usage study-too-small
    The study has too few pieces or photos.
    Take three pieces or more, and five photos or more of each by each person; every person photographs every piece.
usage study-pieces-swapped
    Photos of one piece show the width of another.
    Put each photo to the piece that it shows, and each reading of the calipers to its piece.
usage study-piece-off
    All photos of a piece are far off its readings.
    Read its gap with the calipers again: one end, middle, other end. If they are right, this phone is of no use here.
usage study-photo-twice
    Two photos of the study are one and the same.
    Take each photo anew: a copy proves nothing.
usage study-too-old
    The study is more than a year old.
    Take its photos anew: cameras' programs, lenses and hands change. Set the phone's clock where it is wrong.
usage phone-not-named
    The photos do not say which phone took them, so that their figures could never be used.
    Send the photos as files, not through a messenger, which takes the phone's tags away.
usage study-of-several-phones
    The photos of the study are not all of one phone, lens, picture size and camera program.
    Take them all with one phone, one lens and one app, without zoom, or make a study for each.
usage sheet-unchecked
    The check lines of that sheet were never measured.
    Measure them with a steel rule and give both with --check-length and --check-width.
usage sheet-not-understood
    That is not the number of a sheet.
    Type the nine digits that are printed on the sheet and on each of its strips.

# measuring: refusals
refusal strip-not-found
    No gapvision strip was found in the photo.
    Lay a printed strip beside the seam, flat and fully in view, and take the photo again.
refusal foreign-target
    There are printed markers in the photo, but not those of a gapvision strip.
    Print the sheets made by 'gapvision strips' and use those.
refusal field-not-converged
    The strips' corners do not fit together on one gently curved surface.
    Lay each strip flat on one panel, none over an edge or a fold, show them whole, and take the photo again.
refusal strips-apart
    The strips do not fit together: they were printed to different sizes, or one lies far above its panel.
    Use strips of one sheet, or tell the check lines of each sheet; lay them flat on their panels.
refusal too-few-corners
    Too little of the strip can be seen.
    Get the whole strip into the picture, uncovered, and take the photo again.
refusal strip-too-small
    The strip is too small in the picture to measure from.
    Go nearer: the strip should fill at least a third of the picture's length.
refusal photo-reduced
    The photo is a reduced copy; too few pixels are left to measure from.
    Use the photo as the phone stored it, not one sent by a messenger or made smaller.
refusal photo-mirrored
    The photo is mirrored, or the strip was printed as in a mirror.
    Use the back camera, turn mirroring off in its settings, and print strips without mirroring.
refusal photo-blurred
    The photo is blurred.
    Rest the phone or your elbow on something, tap on the seam to focus, and take the photo again.
refusal tilt-too-large
    The camera looked at the seam far too much from the side.
    Hold the camera square above the gap and take the photo again.
refusal gap-out-of-frame
    The gap beside the strip lies outside the picture.
    Step back or move the camera until the strip and the whole gap beside it are in view.
refusal seam-not-found
    No gap could be found beside the strip.
    Check that a seam runs beside the strip, light it evenly or from behind, or show it with two points.
refusal line-too-narrow
    Beside the strip only a thin line was found; it may be chalk, a pen stroke or a scratch.
    Get the seam itself into the picture, or show where it lies with two points.
refusal edges-not-found
    The gap was found, but its edges could not be told apart from what is around them.
    Slip white paper into the gap or light it from behind, and take the photo again.
refusal edge-not-found
    No edge could be found beside the strip.
    Lay dark cloth or white paper behind the opening, light it evenly, or show the edge with two points.
refusal edge-not-alone
    Another edge lies across from this one, so it is a gap and not one edge alone.
    Measure it as a seam, without --one-edge; or lay dark cloth or white paper behind the opening.
refusal strips-on-both-sides
    Strips lie on both sides of the edge, so it is not one edge alone.
    Lay all strips on the panel whose edge is measured, or measure it as a seam.

# measuring: warnings
warning edge-has-rival
    Another line looks nearly as much like the panel's edge.
    Look at the drawn edge; where it lies wrong, show it with points, or lay dark cloth behind the opening.
warning edge-size-unsure
    The size of the line is hardly known: strips lie on one side of it only, or may come from different sheets.
    Lay strips of one sheet on opposite sides of it, say that they are of one sheet, and take the photo again.
warning seam-in-part
    The seam does not show all round: the longest part of it that shows was measured, from one end of that.
    Show all of it in one photo, strips beside or inside it, or show it with points all round.
warning edge-in-part
    The edge does not show all round.
    Show all of it in one photo, or use the part that was measured: the template leaves the rest open.
warning edge-jumps
    An edge leaves its course for a short way, as where tape, sealer or a clip lies over it; U is as large as the jump.
    Look at that place in the photo: clear the edge and take the photo again; if the metal is so, measure it by hand.
warning edge-overexposed
    The panel beside the gap is burnt out to white, so its edge is eaten into.
    Turn the light away from the panel or lower the exposure, and take the photo again.
warning edge-underexposed
    The panel beside the gap is almost black, so its edge hardly shows.
    Bring more light on to the panel, or light the gap from behind.
warning tilt-large
    The camera looked at the seam from the side, so a step between the panels changes the gap.
    Hold the camera square above the gap, or lay a strip on each side so that the step is measured.
warning resolution-low
    The photo has too few pixels per millimetre for the tolerance asked.
    Go nearer, or use the camera's full resolution.
warning two-seams
    Two lines beside the strip look equally like a gap.
    Show which seam is meant with two points along it, or move the strip nearer to it.
warning gap-doubtful
    This may be no gap but a mark on one panel, such as a pen line, chalk or tape; U is as large as the gap.
    Look at the photo: if it is the gap, show it with two points along it, or light it from behind.
warning gap-shown
    What was shown as the gap looks like a mark on one panel, such as a pen line, chalk or tape.
    Look at the photo once more; light from behind, or white paper in the gap, settles it.
warning step-large
    Taken to be alike, the strips put one panel more than 3 mm above the other.
    Use strips of one sheet on magnets of one kind, say so, press them down, and measure the step by hand.
warning strip-lifted
    A strip does not lie flat on the panel.
    Press the strip down along its whole length and take the photo again.
warning strip-moved
    A strip was moved or lifted between the photos of one seam.
    Leave strips and panels as they are until all photos of the seam are taken.
warning photo-left-out
    A photo was left out of the measurement.
    Photograph one seam in one state, with at least one strip that the other photos show too.
warning chain-broken
    A photo shares no strip with the others of the seam; it was left out.
    Take one photo more that shows a strip of either.
warning taped-doubtful
    The taped distance between two strips does not fit the photos.
    Tape it again, from the corners of the printed patterns that lie furthest apart; press the strips down.
warning taped-unused
    The taped distance between two strips was not used.
    Name two strips that the photos show and that stay where they are; a taped distance counts for photos along a seam.
refusal chain-doubtful
    A strip that alone joins two photos was moved between them.
    Take the photos from there again, and leave at least one strip where it lies at each move.
warning seams-differ
    By itself this photo would take another line for the seam than the surest photo does.
    Look at the drawn edges; where they lie wrong, tap two points on the seam.
warning strip-damaged
    Part of a strip is hidden, dirty or torn.
    Clean or replace the strip; what could be read of it was used.
warning strip-repeated
    Two strips of one letter are in the photo; only one was used.
    Give every strip in view a letter of its own, and take the photo again.
warning strip-mirrored
    One strip in view was printed as in a mirror; it was not used.
    Print it anew without mirroring, or take it out of the picture.
warning check-lines-doubtful
    The check lines that were given do not fit the photo: the squares of the strips are as long as they are wide.
    Measure the 200 mm and the 150 mm line again with a steel rule, along and across not taken for each other.
note print-pale
    The strip's black shows as grey though other places are black: pale toner, or shadows that the phone has lifted.
    Print the strip anew with fresh toner if its black is grey; turn off the camera's high contrast mode (HDR).
warning lens-smeared
    The picture is hazy: the lens may be greasy or a lamp shines into it.
    Wipe the lens, shade it from the lamp, and take the photo again.
warning edge-doubtful
    Along much of the seam it is not certain which line is the panel's edge.
    Slip white paper into the gap or light it from behind, dimmed until it is not burnt out.
warning seam-unfamiliar
    The seam looks like nothing that the edge detector was taught on; plain rules measured it.
    Look at the drawn edges with care; more even light, or white paper in the gap, makes the photo a usual one.
warning coverage-low
    Only part of the seam beside the strips could be measured.
    Look at the holes in the plot: clean, light or uncover those places and take the photo again.
warning print-scale-matters
    Without the length of the printed check lines the gap is not known well enough.
    Measure the 200 mm and the 150 mm line on the sheet with a steel rule and give both lengths.
warning sheets-differ
    One pair of check lengths was given, but the strips come from different sheets.
    Measure the check lines of each sheet and tell them once with 'gapvision sheet', then leave the lengths out.
warning edge-contradicted
    An edge was stated to be made one way, but in the photo it looks made another way.
    Feel the edge, and check that A is the panel with the lowest strip letter. If you are right, light it from another \
side: a roll that is lit evenly looks cut.
warning step-contradicted
    The step that was stated is not the one that the strips give.
    Check its sign (face B above face A is positive), measure it again at the gap, and press the strips down.
warning stated-side-unsure
    What was stated differs between the panels and a strip may have been missed: A and B may have changed places.
    Look which panel was taken for A. If it is the wrong one, swap what you stated, or clean the other strip and take \
the photo again. With strips on one side only, lay strip A there.

# measuring: notes
note gap-burnt-out
    The light in the gap is burnt out; the gap reads a little too wide and U allows for it.
    Dim the lamp until the gap is bright but not pure white.
note print-scale-unchecked
    The printed check lines were not measured; U allows for a printer that scales.
    Measure the 200 mm and the 150 mm line on the sheet with a steel rule and give both lengths.
note focal-unknown
    The photo does not say with which focal length it was taken; it was worked out from the strips.
    Use the photo as the phone stored it, not a copy from a messenger.
note sheets-unknown
    The strips may come from different sheets or lie on different magnets, so the step is hardly known; U allows for it.
    Use strips of one sheet on one kind of magnet and say so; it makes U smaller in photos taken at a slant.
note step-unknown
    Strips lie on one side only, so a step in height between the panels is not known; U allows for it.
    Lay a strip on each side of the seam, or measure the step by hand with a straight-edge and state it.
note proof-used
    A study of this phone is kept, and counts in U.
    Look at its figures with 'gapvision prove'.
note proof-of-another-phone
    No study that is kept was made with this phone, lens, app and printer; U is that of any phone.
    Prove this phone too: 'gapvision prove --example' shows how, or Jobs on the page leads there.
note proof-too-old
    More than a year lies between the study of this phone and the photo, so it was not used.
    Make it again: cameras' programs, lenses and hands change.
note known-stated
    How an edge is made, or the step between the panels, was stated, not measured; gap and U rest on it.
    Nothing, if it is right; else correct it and measure again.

# records
usage job-not-found
    There is no such job.
    See 'gapvision job list' for the references there are.
usage job-exists
    There is a job of that reference already.
    Choose another reference.
usage seam-not-in-job
    The job has no such seam.
    Use one of the job's seams, or add this one to the job.
usage seam-exists
    The job has a seam of that name already.
    Choose another name or side.
usage seam-has-specification
    The seam has another specification already.
    Give --change-spec to replace it, or leave the new one out.
usage answer-needed
    This is asked before it is done.
    Give --yes if it is right; else correct it.
warning photo-at-two-stages
    The same photo is kept for another stage too.
    Take a photo at each stage; delete the one that is at the wrong stage.
warning day-to-come
    The day given has not come yet.
    Check the day, and the clock of camera and computer.
warning day-not-the-cameras
    The day given is another one than the camera's clock says.
    Check the day and the camera's clock.
warning place-in-file-name
    The photo's file name seems to tell where it was taken; names go along with reports and exports.
    Rename the file, e.g. by the seam's name, before it is kept.
usage visit-not-found
    The job has no such visit.
    See 'gapvision job show' for the visits there are.
usage measurement-not-found
    There is no such measurement.
    See 'gapvision job show' for the measurements there are.
usage bin-item-not-found
    There is nothing like that to delete or bring back.
    See 'gapvision job bin' for what can be brought back.
usage record-text-bad
    A text cannot be used as it is.
    Correct it and try again.
usage shop-setting-bad
    The setting cannot be used.
    Choose another value and try again.
usage records-newer
    The records were written by a newer gapvision.
    Install that gapvision or a newer one; nothing was changed.
usage records-damaged
    The records cannot be read.
    Nothing was changed. Take your backup back with 'gapvision restore', and keep the damaged folder.
usage records-busy
    Another program kept the records busy for a minute.
    Wait for it to finish, then save again; nothing was lost.
usage stored-photo-missing
    A photo is missing from the data folder.
    Copy it back from your latest backup; its name is its fingerprint.
usage stored-photo-changed
    A stored photo was changed after it was stored.
    Copy it back from your latest backup; it is no evidence as it is.
usage backup-target-bad
    The backup cannot go there.
    Choose another folder, best on another disk.
usage backup-not-found
    There is no such backup.
    Name a folder that 'gapvision backup' wrote.
usage comparison-no-overlap
    The two measurements share less than 40 mm (1.6 in) of seam.
    Compare photos of the same stretch, or tap the same mark in both.
warning alignment-weak
    The profiles have too few features in common to tell for sure how they lie on each other.
    Leave a strip in its place or tap a mark that both show; if no edge was worked on, check that both are of one seam.
warning maybe-two-seams
    Nothing in the two profiles shows that they are of one seam.
    Make sure that they are; results kept under one seam of a job are taken to be.
usage photo-has-no-profile
    That photo was refused, so there is no profile to use.
    Choose a measurement with status ok or warn.
usage datum-missing
    The two photos cannot be laid on each other that way.
    Use --datum align, or give the same mark in both photos with --mark.
usage stored-verdict-bad
    The stored verdict cannot be read.
    Judge the result again with 'gapvision job judge'.
usage job-data-bad
    The export's job cannot be read.
    Ask for the export again; nothing was stored.
usage job-here-already
    This job is in the records already.
    Delete the one here first if you want the export's state; nothing was changed.
usage package-bad
    The file is not a job exported by gapvision.
    Choose a zip made by 'gapvision export'.
usage package-unsafe
    The zip is not safe to open.
    Do not use it; ask who sent it to export the job again.
usage package-altered
    The export was altered after it was made.
    Ask for the zip as it was exported; nothing was stored.
usage shop-key-bad
    The shop's key cannot be used.
    Make one with 'gapvision sign key', or name its file with --key.
usage signature-bad
    The signature is not right.
    Sign the file again with 'gapvision sign file', or ask who sent it.
usage time-stamp-bad
    The time stamp is not right.
    Send the request of 'gapvision sign ask' to the service again, and name its certificate with --root.
usage package-too-large
    The job is too large for one zip.
    Export it visit by visit with --visit.
warning conditions-differ
    The conditions before and after differ.
    Latches, seals, supports and heat move panels: repeat one of the two under the other's conditions.
note conditions-not-said
    Some conditions were not ticked at both visits.
    Tick the checklist at each visit, so that before and after can be compared.

# judgement
usage specification-unreadable
    The specification could not be understood.
    Correct the line named and try again; the README shows a whole file.
usage specification-nonsense
    The specification cannot be meant as it is written.
    Check the numbers and their units.
usage preset-unknown
    There is no ready specification of that name.
    See 'gapvision judge --help'.
usage photo-place-unknown
    The wanted gap runs along the seam, and where on the seam the photo lies was not said.
    Say where it begins, the seam's length and which way its stations run, or judge the whole seam with a panel file.
usage rule-unknown
    There is no such decision rule.
    Choose proven, simple or risk.
usage finish-nonsense
    The finish plan cannot be meant as it is written.
    Check the coats, their films and the stage of the work.
usage car-file-bad
    The car file could not be understood.
    Correct the line named and try again; 'gapvision car' writes a whole file of a ready car.
usage panel-file-bad
    The panel file could not be understood.
    Correct the line named and try again; sample_images/panel_example has a whole file.
usage plan-file-bad
    The file is not a plan of gapvision.
    Choose the panel file itself, or a file written by 'gapvision plan --json'.
usage nothing-to-judge
    The measurement has no station, so there is nothing to judge.
    Photograph the seam again as the advice of the measurement says.
refusal measurement-was-refused
    The photo was refused, so there is no gap to judge.
    Do what the measurement's advice says and photograph the seam again.
usage opposite-does-not-overlap
    The two seams have no stations in common.
    Choose measurements of the same stretch on both sides of the car.
usage template-has-no-line
    The plan has no edge to change, so there is no line to draw.
    Name a seam with a trim line, or see what the plan says about the move.
usage template-marks-differ
    The template's marks are not as far apart as those on the panel.
    Do not cut by it. Measure the marks' places and their distance again, straight from punch mark to punch mark.
usage photos-disagree
    Two photos of one stretch of a seam contradict each other.
    Check where each begins, which way it runs and which edge is the panel's, and that nothing was moved between them.
usage seams-left-free
    Nothing was measured of some of the panel's seams, so a move could spoil them unseen.
    Photograph them at the same stage; if the panel has no such seam, write it under without in the panel file. For a \
plan that leaves them free add --free-seams, or tick it on the page.
warning seams-not-measured
    Part of the panel's seams was not measured, and the plan leaves it free.
    Photograph every seam of the panel from end to end at the same stage, and make the plan again.
warning panel-side-unknown
    It is not said on which side of the car the panel is, so it was not checked which edge in the photo is its own.
    Write side = "left" or side = "right" in the panel file, or choose it on the page: by a wrong edge \
every move is turned round.
note travel-unlimited
    No travel was entered for the adjusters, so the move may be more than they allow.
    Enter how far each hinge, latch and shim point can still go: 'Add an adjuster' on the page; travel_x, travel_y, \
travel_out in the panel's file.
note local-fault-governs
    One short place of an edge governs the move, so the other gaps are worse than they could be.
    Set aim to least work: the move then leaves such a place to the trim.
note travel-stops-move
    The adjusters' travel stops the move before the gaps are as even as they could be.
    Slot the holes further or change the shims, if the panel and its mountings allow it.
note line-not-possible
    No straight line brings every station within its limits.
    See between which stations it fails and by how much; part of the neighbour's edge has to change too, or metal be \
added.
note hole-in-the-trim
    The edge was not measured all along, and beside the hole metal is to go or to come.
    Do nothing to that edge yet: clean, light or uncover the place, photograph it, and make the plan again.
warning not-measured-well-enough
    U at a place is so large that no gap there could be shown to be right, so the plan counts it as a hole.
    Change nothing at that place: clean, light or uncover it, photograph it again from close, and make the plan again.
warning panel-answers-otherwise
    A panel did not go where its adjusters were set.
    Look for a loose bolt or a worn hinge pin before it is set again; the next plan reckons with what it really did.
warning panel-flexes
    What a panel's gaps did does not fit a stiff panel: it bends, or a photo lies wrong.
    See whether a buffer, a seal or a catch pushes it; photograph its seams again.
note safe-limit-reached
    The safe limit (fold, flange, spot welds) stops the trim.
    Never cut beyond it: set the panel further away, or change the neighbour's edge.
note edge-not-stated
    It was not said what the edge is, and that decides what may be done to it.
    Look behind it, and say which: cut, folded, wired, flanged or leaded (on the page, --made, edge in a panel file).
warning edge-looks-other
    An edge that was said to be cut looks turned over in its photo.
    Look behind it before anything is filed; if it is folded, say so instead.
usage edge-not-for-cutter
    The template is of an edge that no machine may cut.
    Dress or fold it to the printed template; a cut edge must be said to be one ('That edge is' on the page, \
--made, edge in a panel file).
note safe-limit-missing
    No safe limit was entered for the edge, so the cut may reach a fold, a flange or spot welds.
    Measure how far the fold or the flange lies from the edge and enter it (safe_limit in the panel file, --most-off).
note film-thick
    The coats add up to more film than is usually advised.
    Check the number of coats; above about 300 micrometres the usual advice is to strip or sand back.
note film-common-practice
    The film of some coats is a common-practice range, not data.
    Enter the range from the paint maker's data sheet: the data sheet rules.
note film-eats-tolerance
    The doubt about the film is larger than the tolerance, so no bare-metal gap is sure to end in it.
    Measure the film on an edge, or allow more on the finished gap.
note seam-in-pieces
    The photos of a seam share no common straight reference, so each gets a line of its own.
    Join the lines on the panel with a straight-edge, or take one photo with more strips along the seam.
note proof-not-possible
    U is too large for the limits, so the plan aims at the wanted gap itself.
    Photograph the seam as the measurement's advice says to get a smaller U.
"""

_LINES = [line.strip() for line in _TABLE.splitlines() if line.strip() and not line.startswith("#")]

CODES: dict[str, Code] = {}
for _named, _text, _next_step in zip(_LINES[::3], _LINES[1::3], _LINES[2::3], strict=True):
    _kind, _name = _named.split(" ")
    if _kind not in _KINDS or _name in CODES:  # pragma: no cover - a programming fault, caught on import
        raise ValueError(f"code {_named!r} is listed twice or not complete")
    CODES[_name] = Code(_name, _kind, _text, _next_step)
