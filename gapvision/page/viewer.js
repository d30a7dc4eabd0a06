// The photo and the profile of one seam, linked: a station chosen in one is marked in the other.
// What is drawn, in which looks and with which words, comes from Python (reports/profile_picture.py); here it is only
// painted. Everything happens in the browser; only tapped points and spans to leave out go back.
const SVG = "http://www.w3.org/2000/svg";
function node(tag, attributes, parent) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
  if (parent) parent.appendChild(element);
  return element;
}

// --- a look: its colour, its dash, and a hatch that is made where it is first used
const STROKES = { "/": "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4", "\\": "M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4", "-": "M0,4 h8", "|": "M3,0 v8" };
const colour = (look, svg) => (look.colour === "ink" ? "currentColor" : svg && onDark(svg) ? `color-mix(in srgb, ${look.colour} 70%, white)` : look.colour);
// On a dark page shades are laid on thicker, in lighter colours: else the zone can hardly be told from the ground.
const onDark = (svg) => { const [r, g, b] = (getComputedStyle(svg).color.match(/[\d.]+/g) || [0, 0, 0]).map(Number); return r + g + b > 380; };
const text = (points) => points.map((p) => `${p[0].toFixed(1)},${p[1].toFixed(1)}`).join(" ");

function hatch(svg, look) {
  const defs = svg.querySelector("defs") || node("defs", {}, svg);
  const id = `${svg.getAttribute("class")}-${look.colour}-${[...look.hatch].map((c) => c.charCodeAt(0)).join("-")}`.replace(/[^\w-]/g, "");
  if (!defs.querySelector(`[id="${id}"]`)) {
    const tile = node("pattern", { id, width: 8, height: 8, patternUnits: "userSpaceOnUse" }, defs);
    for (const kind of look.hatch) {
      if (kind === ".") node("circle", { cx: 4, cy: 4, r: 1.2, fill: colour(look) }, tile);
      else node("path", { d: STROKES[kind], stroke: colour(look), "stroke-width": 1.4, fill: "none" }, tile);
    }
  }
  return `url(#${id})`;
}
function shade(svg, points, look, opacity, more) {
  node("polygon", { points: text(points), fill: colour(look), "fill-opacity": opacity, ...more }, svg);
  if (look.hatch) node("polygon", { points: text(points), fill: hatch(svg, look), "fill-opacity": 0.55 }, svg);
}
function stroke(svg, points, look, width, more) {
  node("polyline", { points: text(points), fill: "none", stroke: colour(look, svg), "stroke-width": width, "stroke-dasharray": look.dash.join(" "), ...more }, svg);
}
function write(svg, x, y, words, anchor = "middle") {
  node("text", { x, y, "text-anchor": anchor, "font-size": 14, fill: "currentColor" }, svg).textContent = words;
}

// A line with its U, in the runs between its holes; the U of a further line is hatched between thin borders.
function series(svg, line, X, Y, name) {
  for (const [first, stop] of line.runs) {
    const at = (shift) => line.s.slice(first, stop).map((s, i) => [X(s), Y(line.y[first + i] + shift * (line.u ? line.u[first + i] : 0))]);
    if (line.u) {
      const up = at(1), down = at(-1);
      shade(svg, up.concat([...down].reverse()), line.look, (line.look.hatch ? 0.14 : 0.26) * (onDark(svg) ? 1.7 : 1), { class: `${name}-u` });
      if (line.look.hatch) for (const border of [up, down]) stroke(svg, border, { ...line.look, dash: [] }, 0.8, { "stroke-opacity": 0.7 });
    }
    stroke(svg, at(0), line.look, 2.1, { class: name });
  }
}

// The axes of a plot; gives where stations and values lie. A value beyond the frame lies on its border.
function frame(svg, box, places, low, high, heights, narrow) {
  const { left, right, top, bottom } = box;
  const X = (s) => left + ((s - places.low) / (places.high - places.low)) * (right - left);
  const Y = (y) => bottom - ((Math.min(Math.max(y, low), high) - low) / (high - low)) * (bottom - top);
  for (const [at, words] of heights) {
    const zero = low < 0 && Math.abs(at) < 1e-9;
    node("line", { x1: left, x2: right, y1: Y(at), y2: Y(at), stroke: "currentColor", "stroke-opacity": zero ? 0.8 : 0.18, "stroke-dasharray": zero ? "5 4" : "" }, svg);
    write(svg, left - 6, Y(at) + 5, words, "end");
  }
  for (const [at, words] of narrow ? places.few : places.many) {
    node("line", { x1: X(at), x2: X(at), y1: bottom, y2: bottom + 5, stroke: "currentColor" }, svg);
    write(svg, X(at), bottom + 20, words);
  }
  node("line", { x1: left, x2: left, y1: top, y2: bottom, stroke: "currentColor" }, svg);
  node("line", { x1: left, x2: right, y1: bottom, y2: bottom, stroke: "currentColor" }, svg);
  return [X, Y];
}

class Viewer {
  constructor(root, component) {
    this.root = root;
    this.photo = root.querySelector(".gv-photo");
    this.image = root.querySelector(".gv-image");
    this.sharp = root.querySelector(".gv-sharp");
    this.overlay = root.querySelector(".gv-overlay");
    this.read = root.querySelector(".gv-read");
    this.slider = root.querySelector(".gv-slider");
    this.chart = root.querySelector(".gv-chart");
    this.help = root.querySelector(".gv-help");
    this.pointers = new Map();
    this.points = [];
    this.tapping = false;
    this.span = null;
    this.chosen = -1;
    this.bind();
    this.update(component);
  }

  update(component) {
    this.component = component;
    const data = component.data;
    const fresh = !this.data || this.data.key !== data.key;
    this.data = data;
    if (fresh) {
      this.points = [];
      this.span = null;
      this.chosen = -1;
      this.image.src = data.preview_url;
      this.sharp.removeAttribute("src");
      this.sharp.hidden = true;
      this.patient = true;
      clearTimeout(this.waiting);
      this.waiting = 0;
      this.fitted = false;
      this.open(false);
    }
    this.photo.setAttribute("aria-label", data.label);
    const n = data.places.length;
    this.slider.max = Math.max(0, n - 1);
    this.root.querySelector(".gv-station").hidden = n === 0;
    // An SVG has no "hidden" property, only the attribute.
    this.chart.toggleAttribute("hidden", n === 0);
    if (!n) { this.chart.replaceChildren(); this.root.querySelector(".gv-key").replaceChildren(); this.read.textContent = ""; this.cursorAt = null; }
    this.layout();
    if (n) this.choose(fresh ? data.start_index : Math.min(Math.max(this.chosen, 0), n - 1));
    if (this.span && n !== this.spanOf) this.span = null;
    this.showTapping();
    this.showSpan();
  }

  layout() {
    if (!this.root.clientWidth || !this.data) return;
    // Beside each other where there is room; either way both, with the answer over them, stand on one screen.
    const wide = this.root.clientWidth >= 860 && this.data.places.length > 0;
    this.root.classList.toggle("gv-wide", wide);
    const width = this.photo.clientWidth, screen = window.innerHeight;
    const height = wide ? Math.min(Math.max(screen - 470, 280), 620) : this.data.low ? Math.min(Math.max(0.19 * screen, 150), 220) : Math.min(Math.max(0.22 * screen, 165), 320);
    this.tall = Math.round(this.data.places.length ? height : Math.max(height, Math.min(0.36 * screen, 0.75 * width)));
    this.photo.style.height = `${this.tall}px`;
    if (!this.fitted || this.lastWidth !== width) {
      this.lastWidth = width;
      this.fitted = true;
      this.home();
    }
    this.draw();
    this.profile();
    this.forms();
  }
  // Tools lie folded away; where nothing was measured, tapping the seam is what is left to do.
  open(shown) {
    this.root.classList.toggle("gv-shown", shown);
    this.root.querySelector(".gv-tools").hidden = !shown;
    this.root.querySelector(".gv-open").setAttribute("aria-expanded", String(shown));
    this.forms();
  }

  // --- where the photo lies: screen = photo * k + (x, y)
  home() {
    if (this.data.worst) this.worst(); else if (this.data.places.length) this.seam(); else this.whole();
  }
  // The worst place, above the buttons, with about 70 mm of seam around it.
  worst() {
    const i = this.data.start_index, [a, b] = this.data.edges.map((edge) => edge.px), s = this.data.picture.lines[0].s;
    const first = Math.max(i - 20, 0), last = Math.min(i + 20, s.length - 1);
    const pxPerMm = Math.hypot(a[last][0] - a[first][0], a[last][1] - a[first][1]) / Math.max(s[last] - s[first], 1);
    this.k = this.fitK = this.photo.clientWidth / (70 * Math.max(pxPerMm, 0.1));
    this.x = this.photo.clientWidth / 2 - this.k * (a[i][0] + b[i][0] + 1) / 2;
    this.y = (this.photo.clientHeight - 50) / 2 - this.k * (a[i][1] + b[i][1] + 1) / 2;
    this.draw();
  }
  whole() {
    const k = Math.min(this.photo.clientWidth / this.data.width, this.photo.clientHeight / this.data.height);
    this.k = k;
    this.fitK = k;
    this.x = (this.photo.clientWidth - this.data.width * k) / 2;
    this.y = (this.photo.clientHeight - this.data.height * k) / 2;
    this.draw();
  }
  seam() {
    const points = this.data.edges.flatMap((edge) => edge.px);
    const xs = points.map((p) => p[0]), ys = points.map((p) => p[1]);
    const pad = 0.06 * Math.max(this.data.width, this.data.height);
    const box = [Math.min(...xs) - pad, Math.min(...ys) - pad, Math.max(...xs) + pad, Math.max(...ys) + pad];
    const k = Math.min(this.photo.clientWidth / (box[2] - box[0]), this.photo.clientHeight / (box[3] - box[1]));
    this.k = k;
    this.fitK = k;
    this.x = this.photo.clientWidth / 2 - (k * (box[0] + box[2])) / 2;
    this.y = this.photo.clientHeight / 2 - (k * (box[1] + box[3])) / 2;
    this.draw();
  }
  zoom(times, cx, cy) {
    this.patient = false;
    const least = 0.8 * Math.min(this.photo.clientWidth / this.data.width, this.photo.clientHeight / this.data.height);
    const k = Math.min(Math.max(this.k * times, least), 40);
    const px = (cx - this.x) / this.k, py = (cy - this.y) / this.k;
    this.k = k;
    this.x = cx - px * k;
    this.y = cy - py * k;
    this.draw();
  }

  draw() {
    if (!this.k) return;
    const d = this.data;
    const place = `translate(${this.x}px, ${this.y}px)`;
    for (const image of [this.image, this.sharp]) {
      image.style.width = `${d.width * this.k}px`;
      image.style.height = `${d.height * this.k}px`;
      image.style.transform = place;
      image.style.imageRendering = this.k > 3 ? "pixelated" : "auto";
    }
    // The full picture is fetched only when the preview's pixels would show; at first the answer has the line to itself.
    if (this.patient && !this.waiting) this.waiting = setTimeout(() => { this.patient = false; this.draw(); }, 2500);
    if (!this.patient && this.k * (window.devicePixelRatio || 1) > 1.1 * d.preview_scale && !this.sharp.getAttribute("src")) {
      this.sharp.onload = () => { this.sharp.hidden = false; };
      this.sharp.src = d.full_url;
    }
    // Unzoomed, a vertical swipe still scrolls the page; zoomed in or tapping, it moves the photo.
    this.photo.style.touchAction = this.tapping || this.k > 1.05 * this.fitK ? "none" : "pan-y";
    this.drawOverlay();
  }
  screen(x, y) { return [(x + 0.5) * this.k + this.x, (y + 0.5) * this.k + this.y]; }

  drawOverlay() {
    const d = this.data, svg = this.overlay;
    svg.replaceChildren();
    const [a, b] = d.edges.length ? d.edges.map((edge) => edge.px.map((p) => this.screen(p[0], p[1]))) : [[], []];
    const marks = d.picture ? d.picture.marks.filter((mark) => mark.number && mark.last > mark.first) : [];
    const between = (first, stop) => a.slice(first, stop).concat(b.slice(first, stop).reverse());
    for (const mark of marks) shade(svg, between(mark.first, mark.last), mark.look, 0.35);
    for (const [first, stop] of d.picture ? d.picture.lines[0].runs : []) {
      for (const [k, edge] of [a, b].entries()) {
        const points = text(edge.slice(first, stop));
        node("polyline", { points, fill: "none", stroke: "#fff", "stroke-width": 4, "stroke-opacity": 0.75 }, svg);
        node("polyline", { points, fill: "none", stroke: d.edges[k].colour, "stroke-width": 2, "stroke-dasharray": d.edges[k].dash }, svg);
      }
    }
    if (a.length > 1) {
      for (const [i, long] of d.marks_along) {
        const far = long ? 12 : 6, away = this.unit(a[i], b[i]);
        for (const [p, sign] of [[a[i], -1], [b[i], 1]]) {
          const line = { x1: p[0] + 2 * sign * away[0], y1: p[1] + 2 * sign * away[1], x2: p[0] + far * sign * away[0], y2: p[1] + far * sign * away[1] };
          node("line", { ...line, stroke: "#fff", "stroke-width": 3 }, svg);
          node("line", { ...line, stroke: "#111", "stroke-width": 1.2 }, svg);
        }
      }
    }
    const taken = [];
    for (const mark of marks) {
      const m = Math.floor((mark.first + mark.last - 1) / 2), away = this.unit(a[m], b[m]);
      taken.push([b[m][0] + 36 * away[0], Math.max(b[m][1] + 36 * away[1], 13)]);
      this.label(...taken[taken.length - 1], String(mark.number), mark.look.colour);
    }
    for (const mark of marks.filter((one) => one.words.startsWith("too ") && one.last < a.length)) {  // its ends, on A's side
      const ends = [mark.first, mark.last - 1].map((i) => { const away = this.unit(b[i], a[i]); return [a[i][0] + 36 * away[0], a[i][1] + 36 * away[1], d.places[i]]; });
      if (Math.hypot(ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]) > 90) for (const [x, y, words] of ends) { this.label(x, y, words, mark.look.colour); taken.push([x, y]); }
    }
    if (a.length > 1) this.panels(a, b, taken);
    if (this.span) {
      const [first, last] = this.span;
      node("polygon", { points: text(between(first, last + 1)), fill: "#ffe000", "fill-opacity": 0.45, stroke: "#111", "stroke-width": 2, "stroke-dasharray": "6 3", class: "gv-left-out" }, this.overlay);
    }
    if (this.chosen >= 0 && a.length) {
      const i = this.chosen, away = this.unit(a[i], b[i]);
      const line = { x1: a[i][0] - 20 * away[0], y1: a[i][1] - 20 * away[1], x2: b[i][0] + 20 * away[0], y2: b[i][1] + 20 * away[1] };
      node("line", { ...line, stroke: "#111", "stroke-width": 5 }, this.overlay);
      node("line", { ...line, stroke: "#ffe000", "stroke-width": 2.5, class: "gv-chosen" }, this.overlay);
    }
    if (this.points.length) {
      const shown = this.points.map((p) => this.screen(p[0], p[1]));
      node("polyline", { points: text(shown), fill: "none", stroke: "#ffe000", "stroke-width": 2, "stroke-dasharray": "4 4" }, this.overlay);
      shown.forEach((p, i) => {
        node("circle", { cx: p[0], cy: p[1], r: 9, fill: "none", stroke: "#111", "stroke-width": 4 }, this.overlay);
        node("circle", { cx: p[0], cy: p[1], r: 9, fill: "none", stroke: "#ffe000", "stroke-width": 2, class: "gv-point" }, this.overlay);
        this.label(p[0], p[1] - 24, String(i + 1));
      });
    }
  }
  // Which panel is A and which is B, each on its own metal, at an end of what is seen where no other word stands.
  panels(a, b, taken) {
    const W = this.photo.clientWidth, H = this.photo.clientHeight, half = [44, 11];
    const bar = this.root.querySelector(".gv-over"), under = ([x, y]) => x < bar.offsetWidth + half[0] && y > bar.offsetTop - half[1] - 2;
    const inside = (p) => p[0] > half[0] + 2 && p[0] < W - half[0] - 2 && p[1] > half[1] && p[1] < H - half[1] && !under(p);
    for (const [edge, other, letter] of [[a, b, "A"], [b, a, "B"]]) {
      const places = edge.map((p, i) => {
        const away = this.unit(other[i], p), far = 16 + half[0] * Math.abs(away[0]) + half[1] * Math.abs(away[1]);
        const y = p[1] + far * away[1], seen = Math.min(Math.max(y, half[1] + 2), H - half[1] - 2);  // nearer to its edge, if need be
        return [p[0] + far * away[0], Math.abs(seen - y) <= 12 ? seen : y];
      });
      const free = (p) => inside(p) && taken.every((q) => Math.abs(p[0] - q[0]) > half[0] + 36 || Math.abs(p[1] - q[1]) > 24);
      const at = places.find(free) || places.find(inside);
      if (at) this.label(...at, `panel ${letter}`, this.data.edges[letter === "A" ? 0 : 1].colour);
    }
  }
  unit(from, to) {
    const dx = to[0] - from[0], dy = to[1] - from[1], r = Math.hypot(dx, dy) || 1;
    return [dx / r, dy / r];
  }
  label(x, y, words, colour) {
    const w = 12 + 9 * words.length;
    node("rect", { x: x - w / 2, y: y - 11, width: w, height: 22, rx: 4, fill: "#fff", "fill-opacity": 0.92, stroke: colour || "#111", "stroke-width": 2 }, this.overlay);
    node("text", { x, y: y + 5, "text-anchor": "middle", "font-size": 15, "font-weight": 600, fill: "#111" }, this.overlay).textContent = words;
  }

  // --- the profile
  profile() {
    const svg = this.chart, p = this.data.picture;
    if (!p) return;
    const W = svg.clientWidth || this.root.clientWidth, narrow = W < 520;
    const H = this.root.classList.contains("gv-wide") ? this.tall - 50 : this.data.low ? 160 : Math.min(Math.max(Math.round(0.21 * window.innerHeight), 175), 310);
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.setAttribute("aria-label", p.alt);
    svg.style.height = `${H}px`;
    svg.replaceChildren();
    const box = { left: 64, right: W - (narrow ? 12 : 58), top: 30, bottom: H - 44 }, { left, right, top, bottom } = box;
    const [X, Y] = frame(svg, box, p.places, p.gaps.low, p.gaps.high, narrow ? p.gaps.few : p.gaps.many, narrow);
    this.box = box;
    write(svg, (left + right) / 2, H - 6, p.places.name);
    write(svg, 4, 16, p.gaps.name, "start");
    if (!narrow) {
      for (const [at, words] of p.others.many) {
        node("line", { x1: right, x2: right + 5, y1: Y(at), y2: Y(at), stroke: "currentColor" }, svg);
        write(svg, right + 8, Y(at) + 5, words, "start");
      }
      write(svg, W - 4, 16, p.others.name, "end");
    }
    if (p.zone) {
      const along = (values) => p.zone.s.map((s, i) => [X(s), Y(values[i])]);
      shade(svg, along(p.zone.upper).concat(along(p.zone.lower).reverse()), { ...p.zone.look, hatch: "" }, onDark(svg) ? 0.42 : 0.18);
      for (const limit of [p.zone.lower, p.zone.upper]) stroke(svg, along(limit), p.zone.look, 1.6, { class: "gv-limit" });
      stroke(svg, along(p.zone.nominal), p.zone.middle, 1);
    }
    const taken = [], urgent = (mark) => !mark.words.startsWith("too ");
    for (const mark of [...p.marks].sort((one, two) => urgent(one) - urgent(two))) {
      const x0 = X(mark.start), x1 = Math.max(X(mark.stop), x0 + 3);
      // A span stands hatched under the axis of places, between two thin lines: over it, it looks like a zone of gaps. A hole is a hole.
      const [head, foot] = mark.number ? [bottom, bottom + 8] : [top, bottom];
      shade(svg, [[x0, head], [x1, head], [x1, foot], [x0, foot]], mark.look, 0.3, { class: "gv-mark" });
      if (mark.number) for (const x of [x0, x1]) node("line", { x1: x, x2: x, y1: top, y2: foot, stroke: colour(mark.look), "stroke-width": 1.2 }, svg);
      // Words wider than their span would take the place of the next number.
      const labels = mark.labels.slice(mark.number ? 1 : 0);  // its gap is told over the plot, with its U
      for (const [k, words] of labels.entries()) {
        const half = 4.2 * words.length + 2, middle = Math.min(Math.max((x0 + x1) / 2, left + half), right - half);
        if (taken.every(([from, to]) => middle - half >= to || middle + half <= from) && (2 * half <= x1 - x0 || (mark.number && k === labels.length - 1))) {
          write(svg, middle, top - 6, words);
          taken.push([middle - half, middle + half]);
          break;
        }
      }
    }
    p.lines.slice(1).forEach((line) => series(svg, line, X, Y, "gv-more"));
    series(svg, p.lines[0], X, Y, "gv-line");
    this.cursor = node("g", { class: "gv-cursor" }, svg);
    const { s, y } = p.lines[0];
    this.cursorAt = (i) => {
      this.cursor.replaceChildren();
      if (this.span) {
        const [x0, x1] = this.span.map((k) => X(s[k]));
        node("rect", { x: x0, y: top, width: Math.max(x1 - x0, 2), height: bottom - top, fill: "#ffe000", "fill-opacity": 0.3, stroke: "currentColor", "stroke-width": 2, "stroke-dasharray": "6 3" }, this.cursor);
      }
      if (i < 0) return;
      node("line", { x1: X(s[i]), x2: X(s[i]), y1: top, y2: bottom, stroke: "currentColor", "stroke-width": 1.6 }, this.cursor);
      node("circle", { cx: X(s[i]), cy: Y(y[i]), r: 6, fill: "#ffe000", stroke: "#111", "stroke-width": 2 }, this.cursor);
    };
    this.cursorAt(this.chosen);
    this.legend(p);
  }

  // --- what lines and hatches mean, each with a piece of it
  legend(p) {
    const key = this.root.querySelector(".gv-key");
    key.replaceChildren();
    const entry = (words, paint) => {
      const one = document.createElement("span"), svg = node("svg", { viewBox: "0 0 26 16", "aria-hidden": "true", class: "gv-piece" }, one);
      one.append(words);
      key.appendChild(one);
      paint(svg);  // its colours are those of where it stands
    };
    const box = [[1, 1], [25, 1], [25, 15], [1, 15]], line = [[1, 8], [25, 8]];
    key.setAttribute("aria-label", p.key);
    for (const each of p.lines) {
      const first = each === p.lines[0];
      entry(each.u ? `${each.label}, shade: ${first ? "" : "its "}U` : each.label, (svg) => {
        svg.setAttribute("class", `gv-piece gv-piece-${key.childElementCount}`);
        if (each.u) shade(svg, box, each.look, 0.26);
        stroke(svg, line, each.look, 2.1);
      });
    }
    if (p.zone) {
      entry("tolerance", (svg) => { shade(svg, box, { ...p.zone.look, hatch: "" }, onDark(key) ? 0.42 : 0.18); for (const y of [2, 14]) stroke(svg, [[1, y], [25, y]], p.zone.look, 1.6); });
      entry("wanted gap", (svg) => stroke(svg, line, p.zone.middle, 1.4));
    }
    const told = new Set();
    for (const mark of p.marks) {
      if (told.has(mark.words)) continue;
      told.add(mark.words);
      entry(mark.words, (svg) => { svg.setAttribute("class", `gv-piece gv-piece-m${told.size}`); shade(svg, box, mark.look, 0.3); });
    }
  }

  // --- form of both edges, each about its own least-squares line, at one stated exaggeration
  forms() {
    const home = this.root.querySelector(".gv-forms"), form = this.data.form;
    home.replaceChildren();
    this.root.querySelector(".gv-form-head").hidden = !form;
    const steep = this.root.querySelector(".gv-steep");
    steep.textContent = "";
    if (!form) return;
    const W = home.clientWidth, H = 166;
    if (!W) return;  // folded away
    const box = { left: 64, right: W - 12, top: 24, bottom: H - 26 };
    const perMm = (box.right - box.left) / (form.places.high - form.places.low), tall = box.bottom - box.top;
    const most = Math.max(tall / (2 * form.reach) / perMm, 1);
    const times = form.steeper.find((k) => k <= most), half = tall / (2 * times * perMm);
    const heights = form.heights.filter(([at]) => Math.abs(at) <= half);
    form.lines.forEach((line, k) => {
      const words = document.createElement("p");
      words.textContent = form.words[k];
      home.appendChild(words);
      const svg = node("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": form.words[k], class: `gv-form${k}` }, home);
      svg.style.height = `${H}px`;
      const [X, Y] = frame(svg, box, form.places, -half, half, heights, W < 520);
      write(svg, 4, 14, `${line.label} [${form.unit}]`, "start");
      series(svg, { ...this.data.picture.lines[0], ...line }, X, Y, "gv-edge");
    });
    steep.textContent = form.note.replace("{times}", times);
  }

  choose(i) {
    const d = this.data, n = d.places.length;
    if (!n) { this.read.textContent = ""; return; }
    this.chosen = Math.min(Math.max(i, 0), n - 1);
    this.read.textContent = `Station ${d.places[this.chosen]}: ${d.readings.map((part) => part.words[part.at[this.chosen]]).join("")}`;
    this.slider.value = this.chosen;
    this.slider.setAttribute("aria-valuetext", this.read.textContent);
    this.drawOverlay();
    if (this.cursorAt) this.cursorAt(this.chosen);
  }

  nearestInPhoto(cx, cy) {
    let best = -1, least = 80;
    const [a, b] = this.data.edges.length ? this.data.edges.map((edge) => edge.px) : [[], []];
    a.forEach((p, i) => {
      const [x, y] = this.screen((p[0] + b[i][0]) / 2, (p[1] + b[i][1]) / 2), r = Math.hypot(x - cx, y - cy);
      if (r < least) { least = r; best = i; }
    });
    return best;
  }
  nearestInChart(event) {
    const { left, right } = this.box, { low, high } = this.data.picture.places, stations = this.data.picture.lines[0].s;
    const s = low + ((event.clientX - this.chart.getBoundingClientRect().left - left) / (right - left)) * (high - low);
    let best = 0;
    stations.forEach((v, i) => { if (Math.abs(v - s) < Math.abs(stations[best] - s)) best = i; });
    return best;
  }

  showTapping() {
    for (const button of this.root.querySelectorAll(".gv-tapping")) button.hidden = !this.tapping;
    const toggle = this.root.querySelector(".gv-tap");
    toggle.hidden = !this.data.tappable;
    if (!this.data.places.length) this.open(true);
    for (const button of this.root.querySelectorAll(".gv-worst")) button.hidden = !this.data.worst;
    this.root.querySelector(".gv-seam").hidden = !this.data.places.length;
    toggle.setAttribute("aria-pressed", String(this.tapping));
    this.root.querySelector(".gv-measure").disabled = this.points.length < 2;
    this.help.textContent = this.tapping
      ? `Tap two or more points along the gap, from one end to the other. ${this.points.length} tapped.`
      : this.data.places.length ? "Tap the seam or the plot to read a station; arrow keys go along the plot. Drag to move, pinch or wheel to zoom." : "Drag to move, pinch or wheel to zoom.";
  }

  // --- a span to be left out: its two stations, drawn sideways over the plot or stepped
  setSpan(first, last) {
    const most = this.data.places.length - 1;
    const [a, b] = [first, last].map((k) => Math.min(Math.max(k, 0), most));
    this.span = [Math.min(a, b), Math.max(a, b)];
    this.spanOf = this.data.places.length;
    this.showSpan();
    this.drawOverlay();
    if (this.cursorAt) this.cursorAt(this.chosen);
  }
  showSpan() {
    const d = this.data, on = Boolean(this.span);
    this.root.querySelector(".gv-leave-bar").hidden = !d.tappable || !d.places.length;
    this.root.querySelector(".gv-leave").setAttribute("aria-pressed", String(on));
    this.root.querySelector(".gv-leaving").hidden = !on;
    this.chart.style.touchAction = on ? "none" : "pan-y";
    const reason = this.root.querySelector(".gv-reason").value.trim();
    this.root.querySelector(".gv-go").disabled = !on || !reason;
    if (!on) return;
    const [from, to] = this.span.map((k) => d.places[k]);
    this.root.querySelector(".gv-span").textContent = `From station ${from.replace(/ (mm|in)$/, "")} to ${to}. Draw sideways over the plot to choose, then say why.`;
  }
  closeSpan() {
    this.span = null;
    this.root.querySelector(".gv-reason").value = "";
    this.showSpan();
    this.drawOverlay();
    if (this.cursorAt) this.cursorAt(this.chosen);
  }
  bindSpan() {
    const on = (name, work) => this.root.querySelector(name).addEventListener("click", work);
    on(".gv-leave", () => { if (this.span) this.closeSpan(); else this.setSpan(this.chosen - 10, this.chosen + 10); });
    on(".gv-start-back", () => this.setSpan(this.span[0] - 1, this.span[1]));
    on(".gv-start-on", () => this.setSpan(Math.min(this.span[0] + 1, this.span[1]), this.span[1]));
    on(".gv-end-back", () => this.setSpan(this.span[0], Math.max(this.span[1] - 1, this.span[0])));
    on(".gv-end-on", () => this.setSpan(this.span[0], this.span[1] + 1));
    on(".gv-stay", () => this.closeSpan());
    const reason = this.root.querySelector(".gv-reason");
    reason.addEventListener("input", () => this.showSpan());
    for (const button of this.root.querySelectorAll(".gv-reasons button")) {
      button.addEventListener("click", () => { reason.value = button.textContent; this.showSpan(); });
    }
    on(".gv-go", () => {
      if (!this.span || !reason.value.trim()) return;
      const [from, to] = this.span.map((k) => this.data.picture.lines[0].s[k]);
      this.component.setTriggerValue("span", { key: this.data.key, from, to, reason: reason.value.trim() });
      this.closeSpan();
    });
    this.chart.addEventListener("pointerdown", (event) => {
      if (!this.span) return;
      this.chart.setPointerCapture(event.pointerId);
      this.spanFrom = this.nearestInChart(event);
    });
    this.chart.addEventListener("pointermove", (event) => {
      if (this.span && event.buttons && this.spanFrom !== null) this.setSpan(this.spanFrom, this.nearestInChart(event));
    });
    for (const name of ["pointerup", "pointercancel"]) this.chart.addEventListener(name, () => { this.spanFrom = null; });
  }

  bind() {
    this.spanFrom = null;
    this.bindSpan();
    const on = (name, work) => this.root.querySelector(name).addEventListener("click", work);
    const middle = () => [this.photo.clientWidth / 2, this.photo.clientHeight / 2];
    on(".gv-in", () => this.zoom(1.6, ...middle()));
    on(".gv-out", () => this.zoom(1 / 1.6, ...middle()));
    on(".gv-whole", () => this.whole());
    on(".gv-seam", () => this.seam());
    on(".gv-worst", () => { this.choose(this.data.start_index); this.worst(); });
    on(".gv-open", () => this.open(this.root.querySelector(".gv-tools").hidden));
    on(".gv-tap", () => { this.tapping = !this.tapping; if (this.tapping) this.whole(); else { this.points = []; this.home(); } this.showTapping(); this.draw(); });
    on(".gv-undo", () => { this.points.pop(); this.showTapping(); this.drawOverlay(); });
    on(".gv-measure", () => {
      if (this.points.length < 2) return;
      const points = this.points.map((p) => [Math.round(p[0] * 10) / 10, Math.round(p[1] * 10) / 10]);
      this.tapping = false;
      this.component.setTriggerValue("points", { key: this.data.key, points });
      this.showTapping();
    });
    this.slider.addEventListener("input", () => this.choose(Number(this.slider.value)));
    const at = (event) => { const box = this.photo.getBoundingClientRect(); return [event.clientX - box.left, event.clientY - box.top]; };
    this.photo.addEventListener("pointerdown", (event) => {
      this.photo.setPointerCapture(event.pointerId);
      this.pointers.set(event.pointerId, { now: at(event), start: at(event), moved: false });
    });
    this.photo.addEventListener("pointermove", (event) => {
      const pointer = this.pointers.get(event.pointerId);
      const here = at(event);
      if (!pointer) {
        if (event.pointerType === "mouse" && !this.tapping) { const i = this.nearestInPhoto(...here); if (i >= 0 && i !== this.chosen) this.choose(i); }
        return;
      }
      const others = [...this.pointers.entries()].filter(([id]) => id !== event.pointerId);
      if (others.length) {
        const other = others[0][1].now;
        const before = Math.hypot(pointer.now[0] - other[0], pointer.now[1] - other[1]);
        const after = Math.hypot(here[0] - other[0], here[1] - other[1]);
        this.x += (here[0] - pointer.now[0]) / 2; this.y += (here[1] - pointer.now[1]) / 2;
        if (before > 5) this.zoom(after / before, (here[0] + other[0]) / 2, (here[1] + other[1]) / 2);
        pointer.moved = true; others[0][1].moved = true;
      } else if (pointer.moved || Math.hypot(here[0] - pointer.start[0], here[1] - pointer.start[1]) > 7) {
        pointer.moved = true;
        this.x += here[0] - pointer.now[0]; this.y += here[1] - pointer.now[1];
        this.draw();
      }
      pointer.now = here;
    });
    this.photo.addEventListener("pointerup", (event) => {
      const pointer = this.pointers.get(event.pointerId);
      this.pointers.delete(event.pointerId);
      if (!pointer || pointer.moved) return;
      if (this.tapping) {
        const [cx, cy] = pointer.now;
        const x = (cx - this.x) / this.k - 0.5, y = (cy - this.y) / this.k - 0.5;
        if (x >= 0 && y >= 0 && x < this.data.width && y < this.data.height) this.points.push([x, y]);
        this.showTapping(); this.drawOverlay();
      } else {
        const i = this.nearestInPhoto(...pointer.now);
        if (i >= 0) this.choose(i);
      }
    });
    this.photo.addEventListener("pointercancel", (event) => this.pointers.delete(event.pointerId));
    this.photo.addEventListener("wheel", (event) => {
      event.preventDefault();
      this.zoom(Math.exp(-event.deltaY * 0.0015), ...at(event));
    }, { passive: false });
    this.photo.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: [40, 0], ArrowRight: [-40, 0], ArrowUp: [0, 40], ArrowDown: [0, -40] }[event.key];
      if (step) { this.x += step[0]; this.y += step[1]; this.draw(); event.preventDefault(); }
      if (event.key === "+" || event.key === "=") this.zoom(1.3, ...middle());
      if (event.key === "-") this.zoom(1 / 1.3, ...middle());
    });
    const pick = (event) => { if (event.buttons || event.pointerType === "mouse" || event.type === "click") this.choose(this.nearestInChart(event)); };
    this.chart.addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -10, PageUp: 10 }[event.key];
      const to = { Home: 0, End: this.data.places.length - 1 }[event.key] ?? (step ? this.chosen + step : undefined);
      if (to !== undefined) { this.choose(to); event.preventDefault(); }
    });
    this.chart.addEventListener("pointermove", pick);
    this.chart.addEventListener("click", pick);
    this.watch = new ResizeObserver(() => this.layout());
    this.watch.observe(this.root);
  }
}

export default function (component) {
  const root = component.parentElement.querySelector(".gv");
  if (!root.gvViewer) root.gvViewer = new Viewer(root, component);
  else root.gvViewer.update(component);
}
