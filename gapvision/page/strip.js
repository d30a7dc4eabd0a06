// The photos of a ticket as a strip, those that are measured together in one frame. A tap shows one, the bin takes it
// out, the list (or a drag, where there is a mouse) moves it. What is said comes from Python (strip.py).
const BIN = '<svg viewBox="0 0 24 24" width="24" height="24" fill="none" stroke="currentColor" stroke-width="1.8" aria-hidden="true"><path d="M4 7h16M9 7V4h6v3M6 7l1 13h10l1-13M10 11v6M14 11v6"/></svg>';
function put(parent, tag, words, attributes) {
  const element = document.createElement(tag);
  if (words) element.textContent = words;
  for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
  parent.appendChild(element);
  return element;
}
export default function (component) {
  const root = component.parentElement.querySelector(".strip");
  const ask = (what, photo, to) => component.setTriggerValue("asked", { what, photo, to: to || "", of: `${photo}-${Date.now()}` });
  const focused = root.querySelector(":focus")?.dataset.name;
  root.replaceChildren();
  root.setAttribute("aria-label", component.data.label);
  const drop = (element, to) => {
    element.addEventListener("dragover", (e) => { e.preventDefault(); element.classList.add("over"); });
    element.addEventListener("dragleave", () => element.classList.remove("over"));
    element.addEventListener("drop", (e) => { e.preventDefault(); ask("move", e.dataTransfer.getData("text/plain"), to); });
  };
  for (const group of component.data.groups) {
    const frame = put(root, "fieldset", "", { class: group.current ? "current" : "" });
    put(frame, "legend", group.name);
    const row = put(frame, "div", "", { class: "row" });
    if (group.to) drop(frame, group.to);
    for (const photo of group.photos) {
      const figure = put(row, "figure", "", { draggable: "true" });
      figure.addEventListener("dragstart", (e) => { e.dataTransfer.setData("text/plain", photo.sha256); root.classList.add("dragging"); });
      figure.addEventListener("dragend", () => root.classList.remove("dragging"));
      const look = put(figure, "button", "", { type: "button", class: "look", "aria-pressed": String(photo.shown), "data-name": `look ${photo.sha256}` });
      put(look, "img", "", { src: photo.url, alt: "", draggable: "false", loading: "lazy" });
      put(look, "span", `${photo.sign} ${photo.name}`);
      put(look, "span", photo.said);
      look.addEventListener("click", () => ask("look", photo.sha256));
      if (photo.kept) {  // stored with its result: it is looked at, no more
        figure.draggable = false;
        continue;
      }
      const bar = put(figure, "div", "", { class: "bar" });
      const out = put(bar, "button", "", { type: "button", class: "out", "aria-label": `Take ${photo.name} out`, "data-name": `out ${photo.sha256}` });
      out.innerHTML = BIN;  // no cross: that is the sign of what is out of tolerance
      out.addEventListener("click", () => ask("out", photo.sha256));
      if (photo.targets.length) {
        const list = put(bar, "select", "", { "aria-label": `Move ${photo.name}`, "data-name": `move ${photo.sha256}` });
        put(list, "option", "Move", { value: "" });
        for (const [to, name] of photo.targets) put(list, "option", name, { value: to });
        list.addEventListener("change", () => list.value && ask("move", photo.sha256, list.value));
      }
    }
  }
  for (const [to, name] of component.data.elsewhere) drop(put(root, "p", name, { class: "elsewhere" }), to);
  if (focused) root.querySelector(`[data-name="${focused}"]`)?.focus();
}
