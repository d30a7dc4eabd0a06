"""How the page looks: large targets, high contrast, nothing under 14 px, light and dark."""

CSS = """
<style>
html { -webkit-text-size-adjust: 100%; }
.block-container, [data-testid="stMainBlockContainer"] { padding-top: 0.6rem; padding-bottom: 3rem; max-width: 1400px; }
[data-testid="stMainBlockContainer"] > [data-testid="stVerticalBlock"] { gap: 0.5rem; position: relative; }
[data-testid="stMainBlockContainer"] [data-testid="stVerticalBlock"] { gap: 0.5rem; }
h1 { font-size: 1.1rem !important; padding: 0 0 4px !important; line-height: 1.4 !important; }
[data-testid="stElementContainer"]:has(h1) { margin-bottom: 8px; }
h2, h3 { font-size: clamp(1.15rem, 4.4vw, 1.5rem) !important; }
[data-testid="stHeader"] { background: transparent; height: 2.2rem; }
button, [role="button"], [data-baseweb="select"] > div, input, textarea, [data-testid="stNumberInputContainer"] { min-height: 44px; }
[data-testid="stNumberInput"] button { min-width: 44px; }
[data-testid="stFileUploader"] button { min-width: 44px; min-height: 44px; }
[data-testid="stFileUploader"] small, [data-testid="stFileChip"] div:not(:has(svg, span[data-testid])) { font-size: 15px !important; }
[data-testid="stFileUploaderDropzone"] button, [data-testid="stDownloadButton"] button, [data-testid="stButton"] button,
[data-testid="stLinkButton"] a, [data-testid="stFormSubmitButton"] button { min-height: 48px; font-weight: 600; }
[role="listbox"] [role="option"], [role="listbox"] button { min-height: 44px !important; }
[data-testid="stExpander"] summary { min-height: 48px; display: flex; align-items: center; }
[data-testid="stCheckbox"] label, [data-testid="stRadio"] label { min-height: 44px; display: flex; align-items: center; }
[data-testid="stPopoverButton"] { min-height: 48px; font-weight: 600; }
[data-testid="stMultiSelect"] button, [data-testid="stSelectbox"] button { min-width: 44px; min-height: 44px; }
[data-testid="stMultiSelect"] div:has(> [data-testid="stMultiSelectTagsContainer"]) { max-height: none; }
[data-testid="stMultiSelect"] [data-tag] { min-height: 44px; font-size: 16px; }
[data-testid="stSlider"] [data-rac]:has(> [data-testid="stSliderThumbValue"]) { width: 28px; height: 28px; }
[data-testid="stSlider"] [data-rac][data-orientation]:not([role]) { min-height: 48px; }
button[kind^="primary"], [data-testid="stMultiSelect"] [data-tag] { background: #0b5c93 !important; border-color: #6cb6ee; color: #fff !important; }
[data-testid="stSlider"] > [role="group"] { padding-top: 14px; }
[data-testid="stButtonGroup"] button { min-height: 48px; font-size: 1rem; }
[data-testid="stWidgetLabel"] p, [data-testid="stCaptionContainer"], [data-testid="stCaptionContainer"] p, small { font-size: 15px !important; }
[data-testid="stCaptionContainer"] { color: inherit !important; opacity: 1 !important; }
:focus-visible { outline: 3px solid #ffb000 !important; outline-offset: 2px; }
input[role="combobox"]:focus-visible { outline: none !important; }
.gv-verdict { border: 2px solid #767676; border-left-width: 12px; border-radius: 8px; padding: 6px 10px; font-size: 1.1rem; font-weight: 700; line-height: 1.3; }
.gv-verdict.in { border-color: #2f8f4f; } .gv-verdict.out { border-color: #d9601a; } .gv-verdict.refused { border-color: #c0262d; } .gv-verdict.open, .gv-verdict.holes { border-color: #8a6fd0; }
.gv-verdict small { display: block; font-weight: 400; font-size: 16px; line-height: 1.3; }
.gv-verdict em { float: right; font-weight: 400; font-style: normal; font-size: 14px; line-height: 1.25; max-width: 46%; margin-left: 8px; text-align: right; overflow-wrap: anywhere; }
a.gv-take { display: block; text-align: center; min-height: 52px; line-height: 52px; border-radius: 8px; background: #0b5c93; color: #fff !important; font-weight: 700; text-decoration: none !important; }
a.gv-take.second { background: transparent; color: inherit !important; border: 1.5px solid currentColor; line-height: 49px; }
.st-key-to_decide button { min-height: 52px !important; }
.st-key-gv_unit { width: 190px; } @media (min-width: 980px) { .st-key-gv_unit { position: absolute; top: 0; right: 0; } .st-key-gv_unit [data-testid="stWidgetLabel"] { position: absolute; clip-path: inset(50%); } }
[data-testid="stSelectbox"] input { text-overflow: ellipsis; }
.st-key-about_box p { font-size: 15px; line-height: 1.3; margin: 0; }
.st-key-about_box [data-testid="stMarkdownContainer"] { margin-bottom: 0; }
.gv-verdict ul { margin: 4px 0 0; padding-left: 1.2em; } .gv-verdict li { font-size: 16px; margin: 0; }
.gv-note { border-left: 6px solid #767676; padding: 4px 12px; margin: 8px 0; }
.gv-note.warning { border-left-color: #d9601a; } .gv-note.refusal { border-left-color: #c0262d; }
.gv-note b { font-weight: 700; }
.gv-drawing { display: block; border-radius: 6px; max-width: 280px; width: 100%; height: auto; margin: 6px 0; }
.gv-table { overflow-x: auto; } .gv-table table { border-collapse: collapse; width: 100%; font-size: 16px; }
.gv-table th, .gv-table td { text-align: left; padding: 8px 10px 8px 0; border-bottom: 1px solid color-mix(in srgb, currentColor 30%, transparent); }
.gv-pair { overflow-x: auto; } .gv-caption { position: sticky; left: 0; width: fit-content; max-width: calc(100vw - 2.2rem); font-size: 16px; font-weight: 600; padding: 6px 0 4px; }
.st-key-kept_box [data-testid="stButton"] button { min-height: 44px; } .st-key-kept_box { gap: 0.75rem; }
@media (max-width: 640px) { [data-testid="stButtonGroup"] button { padding: 0 9px; min-width: 46px; font-size: 16px !important; } }
ol.gv-card { margin: 0 !important; padding: 8px 12px !important; list-style: none; border: 2px solid currentColor; border-radius: 8px; }
.gv-card li { font-size: 1.3rem !important; line-height: 1.25; font-weight: 700; margin: 0 0 6px !important; padding: 0 !important; } .gv-card li:last-child { margin: 0; }
@keyframes gv-old { to { opacity: 0.45; filter: grayscale(1); } }
@keyframes gv-told { to { visibility: visible; } }
[data-test-script-state="running"] :is(.gv-verdict, .gv-card, [data-testid="stBidiComponent"], [data-testid^="stBidiComponent"]),
[data-testid="stApp"]:not([data-test-connection-state="CONNECTED"]) :is(.gv-verdict, .gv-card, [data-testid^="stBidiComponent"]) { animation: gv-old 0s 0.4s forwards; }
.gv-stale { position: fixed; z-index: 1000; left: 50%; top: 4px; transform: translateX(-50%); visibility: hidden; padding: 4px 14px; border-radius: 8px; background: #1b1f24; color: #fff; border: 2px solid #fff; font-weight: 700; font-size: 16px; }
.gv-stale::after { content: "Working"; }
[data-testid="stApp"]:not([data-test-connection-state="CONNECTED"]) .gv-stale::after { content: "Not connected: what stands here may be old"; }
[data-test-script-state="running"] .gv-stale, [data-testid="stApp"]:not([data-test-connection-state="CONNECTED"]) .gv-stale { animation: gv-told 0s 0.4s forwards; }
@media (prefers-color-scheme: dark) { img.gv-drawing, img.gv-drawn { filter: invert(0.88) hue-rotate(180deg); } }
.st-key-panel_body { gap: 0.5rem !important; } .st-key-panel_answer .gv-note { line-height: 1.35; }
@media (min-width: 980px) { .st-key-panel_body { display: grid !important; grid-template: auto 1fr / minmax(0, 1fr) minmax(0, 1fr); column-gap: 1rem !important; }
  .st-key-panel_body > :nth-child(2) { grid-area: 1 / 2 / span 2; } .st-key-panel_body > :nth-child(3) { grid-column: 1; } }
@media (max-width: 640px) { [data-testid="stExpander"] img.gv-drawn { width: calc(100% + 2rem) !important; max-width: none !important; margin: 0 -1rem; } }
.gv-narrow { margin: 0; } @media (min-width: 980px) { .gv-narrow { display: none; } }
.gv-numbers { display: grid; grid-template-columns: repeat(auto-fit, minmax(168px, 1fr)); gap: 8px 18px; margin: 6px 0 12px; }
.gv-numbers div span { display: block; font-size: 15px; } .gv-numbers div b { font-size: 1.05rem; }
</style>
"""

#: Seen only while a run goes on, or without a connection: then what stands on the page may be old.
STALE = '<div class="gv-stale" role="status"></div>'
