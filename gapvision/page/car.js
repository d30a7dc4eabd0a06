// The car seen from above, its seams by number on it, and beside it one button for each seam. What is said comes from
// Python (car_view.py); a tap goes back.
const SVG = "http://www.w3.org/2000/svg";
const BODY = "M46,4 C66,4 76,14 78,34 L80,190 C79,212 68,222 46,222 C24,222 13,212 12,190 L14,34 C16,14 26,4 46,4 Z";
const LINES = "M18,74 C34,64 58,64 74,74 M22,96 L70,96 M22,160 L70,160 M18,178 C34,186 58,186 74,178 M14,84 L14,128 M78,84 L78,128 M14,128 L22,128 M70,128 L78,128";
function svgNode(tag, attributes, parent) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  parent.appendChild(element);
  return element;
}
function put(parent, tag, words) {
  const element = document.createElement(tag);
  element.textContent = words;
  parent.appendChild(element);
}
export default function (component) {
  const root = component.parentElement.querySelector(".car"), seams = component.data.seams;
  const focused = root.querySelector("button:focus")?.dataset.id;
  root.replaceChildren();
  const columns = {};
  const column = (side) => {
    const element = document.createElement("div");
    element.className = side ? "car-side" : "car-middle";
    columns[side] = element;
    return element;
  };
  root.appendChild(column("left"));
  const svg = svgNode("svg", { viewBox: "0 0 92 226", "aria-hidden": "true" }, root);
  root.appendChild(column("right"));
  root.appendChild(column(""));
  svgNode("path", { d: BODY }, svg);
  svgNode("path", { d: LINES }, svg);
  const taken = [];
  for (const seam of seams) {
    const x = 92 * seam.at[0];
    let y = 4 + 218 * seam.at[1];
    while (taken.some(([a, b]) => Math.abs(a - x) < 20 && Math.abs(b - y) < 20)) y += 4;
    taken.push([x, y]);
    svgNode("circle", { cx: x, cy: y, r: 10, class: seam.colour }, svg);
    svgNode("text", { x, y: y + 5 }, svg).textContent = String(seam.number);
    const button = document.createElement("button");
    button.type = "button";
    button.className = seam.colour;
    button.dataset.id = seam.id;
    put(button, "b", `${seam.sign} ${seam.number}. `);
    button.lastChild.append(seam.side ? `${seam.side} ${seam.name}` : seam.name);
    put(button, "i", seam.worst && `${seam.state}, worst `);
    put(button, "span", seam.worst || seam.state);
    if (seam.age) put(button, "span", seam.age);
    button.addEventListener("click", () => component.setTriggerValue("seam", { id: seam.id, of: `${seam.id}-${Date.now()}` }));
    columns[seam.side].appendChild(button);
    if (String(seam.id) === focused) button.focus();
  }
}
