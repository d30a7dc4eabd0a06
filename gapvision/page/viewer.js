// The photo and the profile of one seam, linked: a station chosen in one is marked in the other.
// Everything happens in the browser; only tapped points go back to Python.
const SVG = "http://www.w3.org/2000/svg";
const MM_PER_INCH = 25.4;
const COLOURS = { wide: "#d9601a", tight: "#a065c0", unproven: "#808080", hole: "#9a9a9a" };
const WORDS = { wide: "too wide", tight: "too tight", unproven: "not proven", hole: "not measured", in: "in tolerance" };

function node(tag, attributes, parent) {
  const element = document.createElementNS(SVG, tag);
  for (const [name, value] of Object.entries(attributes || {})) element.setAttribute(name, value);
  if (parent) parent.appendChild(element);
  return element;
}

// Nearest 1/64 inch (places: 1/32), ties away from zero, as gapvision/units.py has it.
function fraction(mm, finest = 64) {
  const sign = mm < 0 ? "-" : "";
  let steps = Math.floor((Math.abs(mm) / MM_PER_INCH) * finest + 0.5);
  let below = finest;
  while (steps > 0 && steps % 2 === 0 && below > 1) { steps /= 2; below /= 2; }
  const whole = Math.floor(steps / below);
  const rest = steps - whole * below;
  if (rest === 0) return `${sign}${whole} in`;
  return whole ? `${sign}${whole} ${rest}/${below} in` : `${sign}${rest}/${below} in`;
}
function length(mm, unit) {
  if (unit === "in") return `${(mm / MM_PER_INCH).toFixed(4)} in`;
  if (unit === "fraction") return fraction(mm);
  return `${mm.toFixed(2)} mm`;
}
function both(mm, unit) {
  return unit === "mm" ? `${length(mm, "mm")} (${fraction(mm)})` : `${length(mm, unit)} (${length(mm, "mm")})`;
}

// A place along the seam: as fine as stations are.
function place(mm, unit) {
  if (unit === "in") return `${(mm / MM_PER_INCH).toFixed(2)} in`;
  return unit === "fraction" ? fraction(mm, 32) : `${mm.toFixed(0)} mm`;
}
// Uncertainties are nothing in steps of 1/64 in: both inch units give decimals.
function small(mm, unit) {
  const metric = `${mm.toFixed(2)} mm`, inch = `${(mm / MM_PER_INCH).toFixed(3)} in`;
  return unit === "mm" ? `${metric} (${inch})` : `${inch} (${metric})`;
}
// Where ticks along the seam stand [mm], and what they are called.
function stationTicks(s0, s1, unit, most) {
  const steps = unit === "mm" ? [5, 10, 20, 25, 50, 100, 200, 250, 500, 1000] : [0.25, 0.5, 1, 2, 5, 10, 20, 40].map((v) => v * MM_PER_INCH);
  const step = steps.find((v) => (s1 - s0) / v <= most) || steps[steps.length - 1] * 2;
  const ticks = [];
  for (let s = Math.ceil(s0 / step) * step; s <= s1; s += step) {
    const at = Math.abs(s) < 1e-9 ? 0 : s;
    const words = unit === "mm" ? String(Math.round(at)) : unit === "fraction" ? fraction(at).replace(" in", "") : String(Math.round((at / MM_PER_INCH) * 100) / 100);
    ticks.push([at, words]);
  }
  return ticks;
}

// The stroke of the second, third and fourth line, and how the shade of its U is hatched.
const MORE = [["8 4", "M3,0 v8", "dashed", "upright"], ["2 4", "M3,0 v8 M0,4 h8", "dotted", "crossed"], ["10 3 2 3", "M0,8 l8,-8 M0,0 l8,8", "dash-dot", "slanting crossed"]];

function patterns(svg, prefix) {
  const defs = node("defs", {}, svg);
  const shapes = { wide: "M-2,2 l4,-4 M0,8 l8,-8 M6,10 l4,-4", tight: "M-2,6 l4,4 M0,0 l8,8 M6,-2 l4,4", unproven: "M0,4 h8", hole: "" };
  for (const [state, path] of Object.entries(shapes)) {
    const pattern = node("pattern", { id: `${prefix}-${state}`, width: 8, height: 8, patternUnits: "userSpaceOnUse" }, defs);
    if (state === "hole") node("circle", { cx: 4, cy: 4, r: 1.2, fill: COLOURS.hole }, pattern);
    else node("path", { d: path, stroke: COLOURS[state], "stroke-width": 1.8, fill: "none" }, pattern);
  }
  MORE.forEach(([, path], k) => {
    const pattern = node("pattern", { id: `${prefix}-more${k}`, width: 8, height: 8, patternUnits: "userSpaceOnUse" }, defs);
    node("path", { d: path, stroke: "currentColor", "stroke-width": 1, "stroke-opacity": 0.55, fill: "none" }, pattern);
  });
  return defs;
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
      this.fitted = false;
    }
    this.photo.setAttribute("aria-label", data.label);
    this.slider.max = Math.max(0, data.s.length - 1);
    this.root.querySelector(".gv-station").hidden = data.s.length === 0;
    // An SVG has no "hidden" property, only the attribute.
    this.chart.toggleAttribute("hidden", data.s.length === 0);
    if (!data.s.length) { this.chart.replaceChildren(); this.root.querySelector(".gv-key").textContent = ""; this.cursorAt = null; }
    this.layout();
    if (fresh && data.s.length) this.choose(data.start_index, false);
    else if (data.s.length) this.choose(Math.min(Math.max(this.chosen, 0), data.s.length - 1), false);
    if (this.span && (!data.s.length || data.s.length !== this.spanOf)) this.span = null;
    this.showTapping();
    this.showSpan();
  }

  layout() {
    const width = this.photo.clientWidth;
    if (!width || !this.data) return;
    const shape = this.data.height / this.data.width;
    const height = Math.round(Math.min(Math.max(width * shape, 220), Math.max(300, window.innerHeight * 0.62)));
    this.photo.style.height = `${height}px`;
    if (!this.fitted || this.lastWidth !== width) {
      this.lastWidth = width;
      this.fitted = true;
      if (this.data.s.length) this.seam(); else this.whole();
    }
    this.draw();
    this.profile();
    this.forms();
  }

  // --- where the photo lies: screen = photo * k + (x, y)
  whole() {
    const k = Math.min(this.photo.clientWidth / this.data.width, this.photo.clientHeight / this.data.height);
    this.k = k;
    this.fitK = k;
    this.x = (this.photo.clientWidth - this.data.width * k) / 2;
    this.y = (this.photo.clientHeight - this.data.height * k) / 2;
    this.draw();
  }
  seam() {
    const xs = this.data.ax.concat(this.data.bx), ys = this.data.ay.concat(this.data.by);
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
    // The full picture is fetched only when the preview's pixels would show.
    if (this.k * (window.devicePixelRatio || 1) > 1.1 * d.preview_scale && !this.sharp.getAttribute("src")) {
      this.sharp.onload = () => { this.sharp.hidden = false; };
      this.sharp.src = d.full_url;
    }
    // Unzoomed, a vertical swipe still scrolls the page; zoomed in or tapping, it moves the photo.
    this.photo.style.touchAction = this.tapping || this.k > 1.05 * this.fitK ? "none" : "pan-y";
    this.drawOverlay();
  }
  screen(x, y) { return [(x + 0.5) * this.k + this.x, (y + 0.5) * this.k + this.y]; }

  drawOverlay() {
    const d = this.data;
    this.overlay.replaceChildren();
    patterns(this.overlay, "gvp");
    const a = d.s.map((_, i) => this.screen(d.ax[i], d.ay[i]));
    const b = d.s.map((_, i) => this.screen(d.bx[i], d.by[i]));
    const text = (points) => points.map((p) => `${p[0].toFixed(1)},${p[1].toFixed(1)}`).join(" ");
    for (const span of d.spans) {
      if (span.state === "hole") continue;
      const outline = a.slice(span.first, span.stop).concat(b.slice(span.first, span.stop).reverse());
      node("polygon", { points: text(outline), fill: COLOURS[span.state], "fill-opacity": 0.35 }, this.overlay);
      node("polygon", { points: text(outline), fill: `url(#gvp-${span.state})` }, this.overlay);
    }
    for (const [first, stop] of d.runs) {
      for (const [edge, colour, dash] of [[a, "#0060aa", ""], [b, "#d65400", "9 4"]]) {
        const points = text(edge.slice(first, stop));
        node("polyline", { points, fill: "none", stroke: "#fff", "stroke-width": 4, "stroke-opacity": 0.75 }, this.overlay);
        node("polyline", { points, fill: "none", stroke: colour, "stroke-width": 2, "stroke-dasharray": dash }, this.overlay);
      }
    }
    if (a.length > 1) {
      const last = a.length - 1;
      for (const [edge, letter, other] of [[a, "A", b], [b, "B", a]]) {
        const away = this.unit(other[0], edge[0]);
        this.label(edge[0][0] + 20 * away[0], edge[0][1] + 20 * away[1], letter);
      }
      for (let i = 0; i <= last; i += 1) {
        // Every 10 mm, longer every 50 mm; in inch every 1/2 in, longer every 2 in: the station that lies nearest.
        const [short, long] = d.unit === "mm" ? [10, 50] : [MM_PER_INCH / 2, 2 * MM_PER_INCH];
        const off = (step) => Math.abs(d.s[i] - step * Math.round(d.s[i] / step));
        const near = d.unit === "mm" ? 1e-6 : 0.5;
        if (off(short) > near) continue;
        const far = off(long) <= near ? 12 : 6;
        const away = this.unit(a[i], b[i]);
        for (const [p, sign] of [[a[i], -1], [b[i], 1]]) {
          const line = { x1: p[0] + 2 * sign * away[0], y1: p[1] + 2 * sign * away[1], x2: p[0] + far * sign * away[0], y2: p[1] + far * sign * away[1] };
          node("line", { ...line, stroke: "#fff", "stroke-width": 3 }, this.overlay);
          node("line", { ...line, stroke: "#111", "stroke-width": 1.2 }, this.overlay);
        }
      }
    }
    let number = 0;
    for (const span of d.spans) {
      if (span.state === "hole") continue;
      number += 1;
      const m = Math.floor((span.first + span.stop - 1) / 2);
      const away = this.unit(a[m], b[m]);
      this.label(b[m][0] + 36 * away[0], b[m][1] + 36 * away[1], String(number), COLOURS[span.state]);
    }
    if (this.span) {
      const [first, last] = this.span;
      const outline = a.slice(first, last + 1).concat(b.slice(first, last + 1).reverse());
      node("polygon", { points: text(outline), fill: "#ffe000", "fill-opacity": 0.45, stroke: "#111", "stroke-width": 2, "stroke-dasharray": "6 3", class: "gv-left-out" }, this.overlay);
    }
    if (this.chosen >= 0 && d.s.length) {
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
    const d = this.data, svg = this.chart;
    if (!d.s.length) return;
    const W = svg.clientWidth || this.root.clientWidth, H = W < 520 ? 270 : 310;
    svg.setAttribute("viewBox", `0 0 ${W} ${H}`);
    svg.style.height = `${H}px`;
    svg.replaceChildren();
    patterns(svg, "gvc");
    const left = 64, right = W - 12, top = 30, bottom = H - 44;
    const s0 = d.s[0] - 2, s1 = d.s[d.s.length - 1] + 2;
    let low = Infinity, high = -Infinity;
    d.g.forEach((g) => { low = Math.min(low, g); high = Math.max(high, g); });
    if (d.band) { low = Math.min(low, ...d.band.lower); high = Math.max(high, ...d.band.upper); }
    for (const line of d.more) line.g.forEach((g) => { if (g !== null) { low = Math.min(low, g); high = Math.max(high, g); } });
    const uMid = [...d.u].sort((p, q) => p - q)[d.u.length >> 1];
    low -= uMid + 0.1; high += uMid + 0.1;
    const X = (s) => left + ((s - s0) / (s1 - s0)) * (right - left);
    const Y = (g) => bottom - ((Math.min(Math.max(g, low), high) - low) / (high - low)) * (bottom - top);
    this.X = X; this.s0 = s0; this.s1 = s1; this.left = left; this.right = right;
    const ink = "currentColor";
    // ticks of the gap in the unit chosen
    let step = d.unit === "mm" ? 0.1 : d.unit === "in" ? 0.005 * MM_PER_INCH : MM_PER_INCH / 64;
    const grow = d.unit === "mm" ? [2, 2.5, 2] : d.unit === "in" ? [2, 2.5, 2] : [2, 2, 2];
    for (let i = 0; (high - low) / step > 6; i += 1) step *= grow[i % 3];
    for (let g = Math.ceil(low / step) * step; g <= high; g += step) {
      node("line", { x1: left, x2: right, y1: Y(g), y2: Y(g), stroke: ink, "stroke-opacity": 0.18 }, svg);
      const t = node("text", { x: left - 6, y: Y(g) + 5, "text-anchor": "end", "font-size": 14, fill: ink }, svg);
      t.textContent = d.unit === "mm" ? g.toFixed(step < 0.099 ? 2 : 1) : d.unit === "in" ? (g / MM_PER_INCH).toFixed(3) : fraction(g).replace(" in", "");
    }
    for (const [s, words] of stationTicks(s0, s1, d.unit, W < 520 ? 5 : 9)) {
      node("line", { x1: X(s), x2: X(s), y1: bottom, y2: bottom + 5, stroke: ink }, svg);
      node("text", { x: X(s), y: bottom + 20, "text-anchor": "middle", "font-size": 14, fill: ink }, svg).textContent = words;
    }
    node("text", { x: (left + right) / 2, y: H - 6, "text-anchor": "middle", "font-size": 14, fill: ink }, svg).textContent = `station along the seam [${d.unit === "mm" ? "mm" : "in"}]`;
    node("text", { x: 4, y: 16, "font-size": 14, fill: ink }, svg).textContent = d.unit === "mm" ? "gap [mm]" : "gap [in]";
    if (d.band) {
      const edge = (limit) => [[left, Y(limit[0])], ...d.s.map((s, i) => [X(s), Y(limit[i])]), [right, Y(limit[limit.length - 1])]];
      const text = (points) => points.map((p) => `${p[0].toFixed(1)},${p[1].toFixed(1)}`).join(" ");
      node("polygon", { points: text(edge(d.band.upper).concat(edge(d.band.lower).reverse())), fill: "#3d8a55", "fill-opacity": 0.16 }, svg);
      for (const limit of [d.band.lower, d.band.upper]) node("polyline", { points: text(edge(limit)), fill: "none", stroke: "#2f8f4f", "stroke-width": 1.6, "stroke-dasharray": "7 4" }, svg);
    }
    let number = 0, lastLabel = -100;
    for (const span of d.spans) {
      const x = X(span.from), w = Math.max(X(span.to) - x, 3);
      node("rect", { x, y: top, width: w, height: bottom - top, fill: COLOURS[span.state], "fill-opacity": 0.12 }, svg);
      node("rect", { x, y: top, width: w, height: bottom - top, fill: `url(#gvc-${span.state})`, "fill-opacity": 0.55 }, svg);
      const words = span.state === "hole" ? (span.reason ? `left out: ${span.reason}` : "not measured") : `${(number += 1)} ${WORDS[span.state]}`;
      const short = span.state === "hole" ? (span.reason ? "left out" : "") : String(number);
      const fit = w > 8 * words.length ? words : short && (span.state !== "hole" || w > 60) ? short : "";
      const centre = Math.min(Math.max(x + w / 2, left + 4.2 * fit.length), right - 4.2 * fit.length);
      if (fit && centre - lastLabel > 6 + 4.2 * fit.length) {
        node("text", { x: centre, y: top - 6, "text-anchor": "middle", "font-size": 14, fill: ink }, svg).textContent = fit;
        lastLabel = centre + 4.2 * fit.length;
      }
    }
    for (const [first, stop] of d.runs) {
      const up = [], down = [], line = [];
      for (let i = first; i < stop; i += 1) {
        up.push(`${X(d.s[i])},${Y(d.g[i] + d.u[i])}`);
        down.unshift(`${X(d.s[i])},${Y(d.g[i] - d.u[i])}`);
        line.push(`${X(d.s[i])},${Y(d.g[i])}`);
      }
      node("polygon", { points: up.concat(down).join(" "), fill: "#2f7fc1", "fill-opacity": 0.28 }, svg);
      node("polyline", { points: line.join(" "), fill: "none", stroke: "#2f7fc1", "stroke-width": 2.2, class: "gv-line" }, svg);
    }
    d.more.forEach((other, k) => this.further(svg, other, k, X, Y));
    node("line", { x1: left, x2: left, y1: top, y2: bottom, stroke: ink }, svg);
    node("line", { x1: left, x2: right, y1: bottom, y2: bottom, stroke: ink }, svg);
    this.cursor = node("g", { class: "gv-cursor" }, svg);
    this.cursorAt = (i) => {
      this.cursor.replaceChildren();
      if (this.span) {
        const [x0, x1] = this.span.map((k) => X(d.s[k]));
        node("rect", { x: x0, y: top, width: Math.max(x1 - x0, 2), height: bottom - top, fill: "#ffe000", "fill-opacity": 0.3, stroke: ink, "stroke-width": 2, "stroke-dasharray": "6 3" }, this.cursor);
      }
      if (i < 0) return;
      node("line", { x1: X(d.s[i]), x2: X(d.s[i]), y1: top, y2: bottom, stroke: ink, "stroke-width": 1.6 }, this.cursor);
      node("circle", { cx: X(d.s[i]), cy: Y(d.g[i]), r: 6, fill: "#ffe000", stroke: "#111", "stroke-width": 2 }, this.cursor);
    };
    this.cursorAt(this.chosen);
    const keys = [["blue line: gap, shade: U"]];
    d.more.forEach((other, k) => keys.push([`${MORE[k % 3][2]}: ${other.label}${other.u ? `, ${MORE[k % 3][3]} hatching: its U` : ""}`]));
    this.root.querySelector(".gv-key").textContent = keys.join("; ") + (d.band ? "; green band: tolerance" : "");
  }

  // A further profile with its U: runs without a gap, each a line, a hatched shade and its two thin borders.
  further(svg, other, k, X, Y) {
    const stroke = MORE[k % 3][0];
    let run = [];
    const flush = () => {
      const text = (points) => points.map((p) => p.map((v) => v.toFixed(1)).join(",")).join(" ");
      if (run.length > 1) {
        if (other.u) {
          const up = run.map((i) => [X(other.s[i]), Y(other.g[i] + other.u[i])]), down = run.map((i) => [X(other.s[i]), Y(other.g[i] - other.u[i])]);
          const shade = text(up.concat([...down].reverse()));
          node("polygon", { points: shade, fill: "currentColor", "fill-opacity": 0.14 }, svg);
          node("polygon", { points: shade, fill: `url(#gvc-more${k % 3})`, class: "gv-more-u" }, svg);
          for (const border of [up, down]) node("polyline", { points: text(border), fill: "none", stroke: "currentColor", "stroke-width": 0.8, "stroke-opacity": 0.7 }, svg);
        }
        node("polyline", { points: text(run.map((i) => [X(other.s[i]), Y(other.g[i])])), fill: "none", stroke: "currentColor", "stroke-width": 1.8, "stroke-dasharray": stroke, class: "gv-more" }, svg);
      }
      run = [];
    };
    other.s.forEach((s, i) => { if (other.g[i] === null || s < this.s0 || s > this.s1) flush(); else run.push(i); });
    flush();
  }

  // --- form of both edges, each about its own least-squares line, at one stated exaggeration
  forms() {
    const d = this.data, home = this.root.querySelector(".gv-forms");
    home.replaceChildren();
    this.root.querySelector(".gv-form-head").hidden = !d.forms.length;
    const steep = this.root.querySelector(".gv-steep");
    steep.textContent = "";
    if (!d.forms.length) return;
    const W = this.photo.clientWidth, H = 166, left = 64, right = W - 12, top = 24, bottom = H - 26;
    const s0 = d.s[0] - 2, s1 = d.s[d.s.length - 1] + 2;
    let reach = 0.05;
    for (const form of d.forms) form.y.forEach((y, i) => { reach = Math.max(reach, Math.abs(y) + Math.min(form.u[i], 1)); });
    const perMm = (right - left) / (s1 - s0);
    const most = (bottom - top) / (2 * reach) / perMm;
    const base = 10 ** Math.floor(Math.log10(Math.max(most, 1)));
    const times = [5, 2, 1].map((k) => k * base).find((k) => k <= Math.max(most, 1));
    const half = (bottom - top) / (2 * times * perMm);
    const X = (s) => left + (s - s0) * perMm;
    const Y = (y) => (top + bottom) / 2 + Math.min(Math.max(y, -half), half) * times * perMm;
    for (const form of d.forms) {
      const words = document.createElement("p");
      words.textContent = form.words;
      home.appendChild(words);
      const svg = node("svg", { viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": form.words }, home);
      svg.style.height = `${H}px`;
      const inch = d.unit !== "mm", unit = inch ? MM_PER_INCH : 1;
      const step = unit * ([0.0005, 0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5].find((v) => (2 * half) / (v * unit) <= 5) || 10);
      const places = inch ? (step < 0.99 * 0.001 * MM_PER_INCH ? 4 : 3) : step < 0.0099 ? 3 : step < 0.099 ? 2 : 1;
      node("text", { x: 4, y: 14, "font-size": 14, fill: "currentColor" }, svg).textContent = `${inch ? "inch" : "mm"}, drawn ${times} times steeper than along the seam`;
      for (let y = Math.ceil(-half / step) * step; y <= half; y += step) {
        node("line", { x1: left, x2: right, y1: Y(y), y2: Y(y), stroke: "currentColor", "stroke-opacity": Math.abs(y) < 1e-9 ? 0.8 : 0.18, "stroke-dasharray": Math.abs(y) < 1e-9 ? "5 4" : "" }, svg);
        node("text", { x: left - 6, y: Y(y) + 5, "text-anchor": "end", "font-size": 14, fill: "currentColor" }, svg).textContent = (Math.abs(y) < 1e-9 ? 0 : -y / unit).toFixed(places);
      }
      for (const [s, words] of stationTicks(s0, s1, d.unit, W < 520 ? 5 : 9)) node("text", { x: X(s), y: H - 6, "text-anchor": "middle", "font-size": 14, fill: "currentColor" }, svg).textContent = words;
      const colour = form.letter === "A" ? "#2f7fc1" : "#d9601a";
      for (const [first, stop] of d.runs) {
        const up = [], down = [], line = [];
        for (let i = first; i < stop; i += 1) {
          up.push(`${X(d.s[i])},${Y(form.y[i] - form.u[i])}`);
          down.unshift(`${X(d.s[i])},${Y(form.y[i] + form.u[i])}`);
          line.push(`${X(d.s[i])},${Y(form.y[i])}`);
        }
        node("polygon", { points: up.concat(down).join(" "), fill: colour, "fill-opacity": 0.22 }, svg);
        node("polyline", { points: line.join(" "), fill: "none", stroke: colour, "stroke-width": 2 }, svg);
      }
    }
    steep.textContent = `Deviation of each edge, drawn ${times} times steeper across the seam than along it; up is towards panel A; dashed: least-squares ${d.forms[0].about}; shade: U.`;
  }

  choose(i, draw = true) {
    const d = this.data;
    if (!d.s.length) { this.read.textContent = ""; return; }
    this.chosen = Math.min(Math.max(i, 0), d.s.length - 1);
    const k = this.chosen;
    const state = d.band ? `, ${WORDS[d.states[k]]}` : "";
    this.read.textContent = `Station ${place(d.s[k], d.unit)}: gap ${both(d.g[k], d.unit)}, U ${small(d.u[k], d.unit)}${state}${this.furtherAt(d.s[k])}`;
    this.slider.value = k;
    this.slider.setAttribute("aria-valuetext", this.read.textContent);
    if (draw) this.drawOverlay();
    if (this.cursorAt) this.cursorAt(k);
  }

  // What the further lines say at a station, where they have one within half a millimetre of it.
  furtherAt(s) {
    const d = this.data;
    return d.more.map((other) => {
      let best = -1;
      other.s.forEach((v, i) => { if (other.g[i] !== null && Math.abs(v - s) <= 0.5 && (best < 0 || Math.abs(v - s) < Math.abs(other.s[best] - s))) best = i; });
      if (best < 0) return "";
      return `; ${other.label} ${both(other.g[best], d.unit)}${other.u ? `, U ${small(other.u[best], d.unit)}` : ""}`;
    }).join("");
  }

  nearestInPhoto(cx, cy) {
    const d = this.data;
    let best = -1, least = Infinity;
    d.s.forEach((_, i) => {
      const p = this.screen((d.ax[i] + d.bx[i]) / 2, (d.ay[i] + d.by[i]) / 2);
      const r = Math.hypot(p[0] - cx, p[1] - cy);
      if (r < least) { least = r; best = i; }
    });
    return least < 80 ? best : -1;
  }
  nearestInChart(event) {
    const box = this.chart.getBoundingClientRect();
    const s = this.s0 + ((event.clientX - box.left - this.left) / (this.right - this.left)) * (this.s1 - this.s0);
    let best = 0;
    this.data.s.forEach((v, i) => { if (Math.abs(v - s) < Math.abs(this.data.s[best] - s)) best = i; });
    return best;
  }

  showTapping() {
    for (const button of this.root.querySelectorAll(".gv-tapping")) button.hidden = !this.tapping;
    const toggle = this.root.querySelector(".gv-tap");
    toggle.hidden = !this.data.tappable;
    toggle.setAttribute("aria-pressed", String(this.tapping));
    this.root.querySelector(".gv-measure").disabled = this.points.length < 2;
    this.help.textContent = this.tapping
      ? `Tap two or more points along the gap, from one end to the other. ${this.points.length} tapped.`
      : this.data.s.length ? "Tap the seam or the plot to read a station. Drag to move, pinch or wheel to zoom." : "Drag to move, pinch or wheel to zoom.";
  }

  // --- a span to be left out: its two stations, drawn sideways over the plot or stepped
  setSpan(first, last) {
    const most = this.data.s.length - 1;
    const [a, b] = [first, last].map((k) => Math.min(Math.max(k, 0), most));
    this.span = [Math.min(a, b), Math.max(a, b)];
    this.spanOf = this.data.s.length;
    this.showSpan();
    this.drawOverlay();
    if (this.cursorAt) this.cursorAt(this.chosen);
  }
  showSpan() {
    const d = this.data, on = Boolean(this.span);
    this.root.querySelector(".gv-leave-bar").hidden = !d.tappable || !d.s.length;
    this.root.querySelector(".gv-leave").setAttribute("aria-pressed", String(on));
    this.root.querySelector(".gv-leaving").hidden = !on;
    this.chart.style.touchAction = on ? "none" : "pan-y";
    const reason = this.root.querySelector(".gv-reason").value.trim();
    this.root.querySelector(".gv-go").disabled = !on || !reason;
    if (!on) return;
    const [from, to] = this.span.map((k) => place(d.s[k], d.unit));
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
      const [from, to] = this.span.map((k) => this.data.s[k]);
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
    on(".gv-seam", () => { if (this.data.s.length) this.seam(); else this.whole(); });
    on(".gv-tap", () => { this.tapping = !this.tapping; if (!this.tapping) this.points = []; this.showTapping(); this.draw(); });
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
    this.chart.addEventListener("pointermove", pick);
    this.chart.addEventListener("click", pick);
    this.watch = new ResizeObserver(() => this.layout());
    this.watch.observe(this.photo);
  }
}

export default function (component) {
  const root = component.parentElement.querySelector(".gv");
  if (!root.gvViewer) root.gvViewer = new Viewer(root, component);
  else root.gvViewer.update(component);
}
