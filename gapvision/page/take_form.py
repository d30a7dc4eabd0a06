"""A plain upload form that needs no web socket: a photo taken with the phone's camera cannot be lost.

Phones close the page's web socket while the camera is open; a form post does not care.
The photos go into the inbox of the ticket in the address, and the page that opens
afterwards finds them there.  Without JavaScript it is one ordinary form; with it every
photo is sent on its own, with progress, and tried again when the network was cut.
"""

from __future__ import annotations

import html
import re
from contextlib import suppress
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import UploadFile
from starlette.exceptions import HTTPException
from starlette.requests import ClientDisconnect, Request
from starlette.responses import HTMLResponse, JSONResponse, RedirectResponse, Response

from gapvision.errors import GapvisionError
from gapvision.page.books import records, seam_title
from gapvision.page.drawings import drawing_for
from gapvision.page.guard import PLAIN_STYLE
from gapvision.page.inbox import MOST_PHOTOS, Inbox
from gapvision.page.service import WILL_DO, quick_words
from gapvision.records import Seam

MOST_BYTES = 60 * 1024 * 1024  # of one photo, as for the page's own upload
_MOST_POST = 10 * MOST_BYTES
ACCEPT = "image/*,.heic,.heif"


_HOW = (
    "Strip beside the seam, camera square above the gap, light from the side or white paper behind the gap. One photo is "
    "a quick look; for proof take three: square, then leaning 15 degrees to either side, the lamp or a hand moved between, "
    "neither strips nor panels touched."
)
_HOW_MORE = (
    "One more photo of the same seam: touch neither strips nor panels. Lean the phone about 15 degrees to one side, and "
    "move the lamp or a hand, so that reflections move."
)
_HOW_STUDY = (
    "Photos of the gauge piece that was chosen, and of no other: in your usual light, main lens, no zoom. Square, then "
    "leaning a little; lift the phone away between two."
)


async def show(request: Request) -> Response:
    """The form."""
    ticket = request.query_params.get("ticket", "")
    if not Inbox.is_ticket(ticket):
        return RedirectResponse(f"/take?ticket={Inbox().new_ticket()}", status_code=303)
    page = _page(ticket, "", _into(request), _is_study(request), _seam(request))
    return HTMLResponse(page, headers={"Cache-Control": "no-store"})


def _is_study(request: Request) -> bool:
    """Whether the photos are of a study's gauge pieces: these lie apart from those of seams."""
    return request.query_params.get("study", "") == "1"


def _into(request: Request) -> str:
    """The set that the photos join, where the page asked for one more of it."""
    into = request.query_params.get("into", "")
    return into if Inbox.is_set(into) else ""


def _seam(request: Request) -> Seam | None:
    """The seam whose page asked for photos: whoever walks to the car reads which one it is."""
    number = request.query_params.get("seam", "")
    with suppress(GapvisionError):
        return records().seam(int(number)) if re.fullmatch(r"[0-9]{1,9}", number) else None
    return None


async def accept(request: Request) -> Response:
    """Keep the posted photos and go on to the page; as JSON for the form's script."""
    ticket = request.query_params.get("ticket", "")
    study = _is_study(request)
    inbox = Inbox.of_studies() if study else Inbox()
    by_script = request.headers.get("accept", "") == "application/json"

    def answer(status: int, words: str) -> Response:
        if by_script:
            return JSONResponse({"said": words}, status_code=status)
        shown = ticket if Inbox.is_ticket(ticket) else Inbox().new_ticket()
        return HTMLResponse(_page(shown, words, _into(request), study, _seam(request)), status_code=status)

    if not Inbox.is_ticket(ticket):
        return answer(400, "The form was not complete. Open the page again.")
    # The guard has compared Origin and Host; browsers that send no Origin say here where a post comes from.
    if request.headers.get("sec-fetch-site", "same-origin") not in ("same-origin", "none"):
        return answer(403, "The photos did not come from this page's own form.")
    try:
        size = int(request.headers.get("content-length", ""))
    except ValueError:
        return answer(411, "The size of the upload is missing. Try again with another browser.")
    if size > (MOST_BYTES + 65536 if by_script else _MOST_POST):
        return answer(413, "That is too much at once: a photo may have 60 MB. Use the photo as the phone stored it.")
    kept, into = [], _into(request)
    try:
        async with request.form(max_files=MOST_PHOTOS, max_fields=4) as form:
            for part in form.getlist("photos"):
                if not isinstance(part, UploadFile) or not part.filename:
                    continue
                if (part.size or 0) > MOST_BYTES:
                    return answer(413, f"'{part.filename}' has more than 60 MB. Use the photo as the phone stored it.")
                kept.append(await run_in_threadpool(inbox.add, ticket, part.filename, await part.read(), into))
    except GapvisionError as error:
        return answer(422, str(error))
    except HTTPException:
        return answer(400, "The upload arrived damaged. Send it again.")
    except ClientDisconnect:
        return Response(status_code=400)  # nobody is there to read it
    if not kept:
        return answer(422, "No photo was chosen.")
    if by_script:
        said, code = await run_in_threadpool(quick_words, kept[-1])
        told = {"said": said, "fine": said == WILL_DO, "picture": drawing_for(code)}
        return JSONResponse({"kept": [photo.sha256 for photo in kept], **told})
    return RedirectResponse(f"/?ticket={ticket}", status_code=303)


_SCRIPT = """
const form = document.querySelector("form"), list = document.querySelector("ol"), input = document.querySelector("input[type=file]");
const on = document.querySelector("#on"); let busy = 0, failed = 0;
function send(file) {
  const row = document.createElement("li"), bar = document.createElement("progress"), word = document.createElement("span");
  bar.max = 1; bar.setAttribute("aria-label", file.name); word.textContent = file.name + ": sending"; row.append(word, bar); list.append(row);
  const small = document.createElement("img"); small.alt = ""; small.className = "thumb"; small.src = URL.createObjectURL(file);
  small.onload = () => URL.revokeObjectURL(small.src); small.onerror = () => small.remove(); row.prepend(small);
  busy += 1; let tries = 0;
  function once() {
    const body = new FormData(); body.append("photos", file, file.name);
    const post = new XMLHttpRequest(); post.open("POST", form.action); post.setRequestHeader("Accept", "application/json");
    post.upload.onprogress = (e) => { if (e.lengthComputable) bar.value = e.loaded / e.total; };
    post.onload = () => {
      busy -= 1;
      if (post.status === 200) { let said = "kept", picture = "", fine = false; try { const told = JSON.parse(post.response); said = "kept, " + told.said; picture = told.picture || ""; fine = told.fine; } catch (e) {} if (!fine) failed += 1; word.textContent = file.name + ": " + said; bar.value = 1; if (picture) row.insertAdjacentHTML("beforeend", picture); }
      else { failed += 1; let said = "could not be kept"; try { said = JSON.parse(post.response).said; } catch (e) {} word.textContent = file.name + ": " + said; bar.remove(); }
      done();
    };
    post.onerror = () => {
      tries += 1;
      if (tries < 60) { word.textContent = file.name + ": no network, trying again"; setTimeout(once, Math.min(500 * tries, 5000)); }
      else { busy -= 1; failed += 1; word.textContent = file.name + ": the network is gone; choose it again when it is back"; done(); }
    };
    post.send(body);
  }
  once();
}
function done() { if (busy === 0) { if (failed === 0) location.href = on.href; else on.hidden = false; } }
input.addEventListener("change", () => { for (const file of input.files) send(file); input.value = ""; });
document.querySelector("#post").hidden = true;
"""


def _page(ticket: str, said: str, into: str = "", study: bool = False, seam: Seam | None = None) -> str:
    note = f'<p class="said" role="alert">{html.escape(said)}</p>' if said else ""
    there: Any = len((Inbox.of_studies() if study else Inbox()).photos(ticket))
    more = (f"&amp;into={into}" if into else "") + ("&amp;study=1" if study else "")
    more += f"&amp;seam={seam.seam_id}" if seam else ""
    of = f"Photos of {html.escape(seam_title(seam))}" if seam else "Take or choose photos"
    count = f"<p>{there} photo{'s' if there != 1 else ''} already here.</p>" if there else ""
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>gapvision: photos</title><style>{PLAIN_STYLE}</style></head><body><main><h1>{of}</h1>"
        f"<p>{_HOW_STUDY if study else _HOW_MORE if into else _HOW}</p>"
        f'{note}{count}<form method="post" enctype="multipart/form-data" action="/take?ticket={ticket}{more}">'
        f'<label for="photos">Photos</label><input id="photos" name="photos" type="file" accept="{ACCEPT}" multiple>'
        '<button id="post">Send</button></form><ol aria-live="polite"></ol>'
        f'<a class="button second" id="on" href="/?ticket={ticket}">{"Back to the study" if study else "Go on to the measurement"}</a></main><script>{_SCRIPT}</script></body></html>'
    )
