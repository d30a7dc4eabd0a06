"""Small drawings of what to do, drawn here as SVG; dark ink on a light plate."""

from __future__ import annotations

import base64
import html

# On a light plate, so that it can be read on a dark page too.
_HEAD = (
    '<svg xmlns="http://www.w3.org/2000/svg" viewBox="-6 -6 292 132" fill="none" stroke="#1b1f24" stroke-width="2" '
    'stroke-linejoin="round" color="#1b1f24"><rect x="-6" y="-6" width="292" height="132" fill="#f4f6f8" stroke="none"/>'
)
# A seam seen from above with a strip beside it; parts are added per advice.
_PANELS = '<path d="M10 20h260M10 100h260" stroke-opacity=".25"/><path d="M10 70h260M10 76h260"/>'
_STRIP = '<rect x="60" y="34" width="150" height="24"/>' + "".join(
    f'<rect x="{64 + 14 * i}" y="{38 + 8 * (i % 2)}" width="7" height="8" fill="currentColor" stroke="none"/>'
    for i in range(10)
)
_PHONE_SQUARE = '<rect x="105" y="8" width="60" height="16" rx="3"/><path d="M135 24v66M128 82l7 9 7-9"/><path d="M20 100h108M142 100h118"/>'
_PHONE_TILTED = '<g transform="rotate(-28 90 25)"><rect x="62" y="12" width="56" height="16" rx="3"/></g><path d="M99 34l34 58" stroke-dasharray="5 4"/>'


_PICTURES: dict[str, tuple[str, str]] = {
    "lay": (
        "Lay a strip flat beside the gap, 10 to 50 mm away, and keep all of it in the picture",
        _PANELS + _STRIP + '<rect x="30" y="10" width="220" height="104" stroke-dasharray="7 5"/>',
    ),
    "near": (
        "Go nearer until the strip fills most of the picture",
        '<rect x="14" y="18" width="104" height="84" stroke-dasharray="6 4"/><rect x="52" y="52" width="28" height="6" fill="currentColor"/>'
        '<path d="M126 60h24M142 52l9 8-9 8"/><rect x="162" y="18" width="104" height="84"/><rect x="168" y="46" width="92" height="18" fill="currentColor"/>',
    ),
    "square": (
        "Hold the camera square above the gap, not from the side",
        _PHONE_SQUARE
        + '<g transform="translate(150 0)">'
        + _PHONE_TILTED
        + '</g><path d="M40 20l9 10 17-22M186 48l20 20M206 48l-20 20" stroke-width="4"/>',
    ),
    "steady": (
        "Rest the phone, tap the seam to focus, hold still",
        '<rect x="90" y="20" width="100" height="70" rx="8"/><circle cx="140" cy="55" r="16"/><path d="M140 32v10M140 68v10M117 55h10M153 55h10"/>'
        '<path d="M70 96h140M80 96l10-6M200 96l-10-6"/>',
    ),
    "light": (
        "Turn the light away from the panel, or light it evenly from the side",
        '<circle cx="50" cy="26" r="12"/><path d="M66 34l40 30M64 42l30 36M70 26l46 22"/><path d="M100 92h70M186 92h70M170 92v16M186 92v16"/>',
    ),
    "behind": (
        "White paper or a dimmed lamp behind the gap shows both edges as dark outlines",
        '<path d="M20 46h100q8 0 8 10t-8 10h-20M260 46H156q-8 0-8 10t8 10h20"/><path d="M110 92h56" stroke-width="5"/>'
        '<path d="M132 84l-2-16M138 84V62M144 84l2-16" stroke-dasharray="4 3"/><rect x="112" y="6" width="52" height="14" rx="3"/>',
    ),
    "clean": (
        "Wipe the lens and shade it from the lamp",
        '<rect x="60" y="24" width="70" height="72" rx="8"/><circle cx="82" cy="46" r="10"/><path d="M100 60q30-30 60-6t46-14" stroke-width="4"/>',
    ),
    "points": (
        "Tap two or more points along the gap",
        _PANELS + '<circle cx="50" cy="73" r="9"/><circle cx="140" cy="73" r="9"/><circle cx="230" cy="73" r="9"/>',
    ),
    "print": (
        "Print the sheet at 100 % and measure both check lines with a steel rule",
        '<rect x="70" y="10" width="140" height="100"/><path d="M84 92h112M84 86v12M196 86v12M190 22v56M184 22h12M184 78h12"/>',
    ),
    "file": (
        "Send the photo as the phone stored it",
        '<rect x="40" y="16" width="50" height="88" rx="6"/><path d="M104 60h60M152 50l12 10-12 10"/><rect x="180" y="26" width="70" height="60"/><path d="M180 76l22-22 16 14 12-10 20 18"/>',
    ),
    "write": (
        "Write a number with its unit, such as 3/16in or 4.76mm",
        '<rect x="30" y="34" width="220" height="48" rx="8"/><path d="M228 44v28" stroke-width="3"/>'
        '<text x="46" y="66" font-size="24" font-family="sans-serif" fill="#1b1f24" stroke="none">3/16in, 4.76mm</text>',
    ),
    "lines": (
        "Mend the line that is named",
        '<path d="M80 8h100l24 24v84H80z"/><path d="M98 36h60M98 52h84M98 84h84M98 100h50"/>'
        '<path d="M98 68h84" stroke-width="5"/><path d="M30 68h40M58 58l12 10-12 10"/>',
    ),
    "same place": (
        "Leave a strip in its place between the two photos, or let both show the same stretch",
        '<rect x="8" y="14" width="120" height="92"/><rect x="152" y="14" width="120" height="92"/>'
        '<path d="M8 66h120M8 73h120M152 66h120M152 71h120"/><rect x="30" y="34" width="76" height="16" fill="currentColor"/>'
        '<rect x="174" y="34" width="76" height="16" fill="currentColor"/><path d="M68 28V4h144v24" stroke-dasharray="5 4"/>',
    ),
    "checklist": (
        "Bring the panel into the same state for both photos, and tick the list each time",
        '<rect x="80" y="8" width="120" height="104" rx="6"/>'
        + "".join(
            f'<rect x="94" y="{y}" width="16" height="16"/><path d="M97 {y + 8}l5 5 9-12M122 {y + 8}h60"/>'
            for y in (22, 50, 78)
        ),
    ),
    "folder": (
        "photos-too-many shop-key-bad signature-bad time-stamp-bad Look at the folder of the records: is there room, may it be written, is it the right one?",
        '<path d="M50 30h60l12 14h108v62H50z"/><circle cx="140" cy="74" r="20"/><path d="M140 62v14M140 84v2" stroke-width="4"/>',
    ),
    "choose": (
        "photo-place-unknown Choose another entry of the list",
        '<rect x="60" y="10" width="160" height="30" rx="6"/><path d="M190 20l9 9 9-9"/>'
        '<path d="M60 46h160v62H60zM60 66h160M60 87h160"/><path d="M30 77h22M44 68l10 9-10 9"/>',
    ),
}

#: Drawing -> the codes that it helps with.
_HELPS = {
    "points": "seams-differ line-too-narrow seam-not-found two-seams edge-not-found edge-has-rival edge-not-alone",
    "print": "edge-size-unsure print-scale-matters foreign-target print-scale-unchecked template-marks-differ sheet-file-bad proof-file-bad sheet-unchecked sheets-differ strip-mirrored check-lines-doubtful print-pale taped-doubtful taped-unused",
    "lay": (
        "measurement-was-refused photo-has-no-profile nothing-to-judge strip-not-found too-few-corners "
        "field-not-converged strip-repeated gap-out-of-frame strip-lifted strip-damaged step-unknown strips-apart step-large "
        "strip-moved chain-broken chain-doubtful strips-on-both-sides edge-in-part seam-in-part"
    ),
    "write": (
        "length-not-understood value-out-of-range strip-letters-not-understood record-text-bad job-exists "
        "seam-exists shop-setting-bad step-contradicted command-not-understood sheet-not-understood output-taken "
        "day-to-come day-not-the-cameras answer-needed"
    ),
    "lines": (
        "study-file-bad car-file-bad specification-unreadable specification-nonsense finish-nonsense panel-file-bad plan-file-bad "
        "job-data-bad stored-verdict-bad measurement-file-bad"
    ),
    "same place": "comparison-no-overlap opposite-does-not-overlap alignment-weak maybe-two-seams datum-missing photos-disagree photo-left-out",
    "checklist": "panel-flexes panel-answers-otherwise conditions-differ study-too-small study-piece-off study-photo-twice study-too-old study-of-several-phones study-pieces-swapped phone-not-named",
    "choose": (
        "photo-place-unknown seam-has-specification photo-at-two-stages place-in-file-name seams-not-measured panel-side-unknown not-measured-well-enough seams-left-free edge-contradicted edge-looks-other edge-not-for-cutter stated-side-unsure job-here-already job-not-found seam-not-in-job visit-not-found "
        "measurement-not-found bin-item-not-found preset-unknown rule-unknown paper-unknown "
        "template-has-no-line edge-has-no-gap part-too-large seam-closes closed-needs-one-photo"
    ),
    "folder": (
        "photos-too-many shop-key-bad signature-bad time-stamp-bad too-many-photos folder-not-writable records-newer records-damaged records-busy stored-photo-missing "
        "stored-photo-changed disk-full backup-target-bad backup-not-found package-bad package-unsafe package-altered package-too-large"
    ),
    "near": "strip-too-small resolution-low",
    "steady": "photo-blurred",
    "square": "tilt-too-large tilt-large",
    "behind": "edges-not-found edge-doubtful seam-unfamiliar gap-burnt-out gap-doubtful gap-shown",
    "light": "edge-jumps edge-overexposed edge-underexposed coverage-low",
    "clean": "lens-smeared",
    "file": "focal-unknown photo-reduced photo-mirrored",
}
_FOR_CODE = {code: name for name, codes in _HELPS.items() for code in codes.split()}


def drawing_for(code: str) -> str:
    """An ``img`` element that shows what to do about a registered code; empty where a drawing would say nothing."""
    name = _FOR_CODE.get(code, "file" if code.startswith("file-") else "")
    if not name:
        return ""
    label, body = _PICTURES[name]
    return svg_image(_HEAD + body + "</svg>", label, 'class="gv-drawing"')


def svg_image(svg: str, label: str, attribute: str) -> str:
    """An ``img`` element that holds a drawing (Streamlit takes bare SVG out of HTML), with words for who cannot see it."""
    packed = base64.b64encode(svg.encode()).decode()
    return f'<img {attribute} alt="{html.escape(label, quote=True)}" src="data:image/svg+xml;base64,{packed}">'


def file_drawing() -> str:
    """SVG that stands for a file that is no photo."""
    return _HEAD + _PICTURES["file"][1] + "</svg>"
