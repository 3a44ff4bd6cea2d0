"use strict";
// Without this script the page shows a few layers; the script adds controls for pictures and layers.
document.documentElement.classList.add("live");

// Pictures and layers of one panel; the ids of its elements end in its number.
function panel(script) {
  const number = script.id.split("-").pop();
  const $ = (name) => document.getElementById(name + "-" + number);
  const data = JSON.parse(script.textContent);

  // Two pictures in one place; one of them is visible.
  const swap = $("swap"), predicted = $("predicted"), target = $("target");
  function show(which) {
    predicted.hidden = which !== "predicted";
    target.hidden = which !== "target";
    $("state").textContent = which;
    swap.textContent = which === "target" ? "Show the predicted picture" : "Show the target picture";
  }
  const other = () => show(predicted.hidden ? "predicted" : "target");
  swap.addEventListener("click", other);
  for (const picture of [predicted, target]) picture.addEventListener("click", other);

  // Encoded columns: u and n alternately, and the type of the segment that ends at each point.
  function bytes(text) {
    const raw = atob(text), out = new Uint8Array(raw.length);
    for (let i = 0; i < raw.length; i++) out[i] = raw.charCodeAt(i);
    return out;
  }
  const packed = new DataView(bytes(data.points).buffer), codes = bytes(data.codes);
  const starts = [0];
  for (const count of data.counts) starts.push(starts[starts.length - 1] + count);
  const u = (i) => data.origin[0] + data.step * packed.getUint16(4 * i, true);
  const n = (i) => data.origin[1] + data.step * packed.getUint16(4 * i + 2, true);
  const DRY = 1, BRIM = 2, SUPPORT = 3, INK = "#1f262b";

  // The segments of a layer, as one path per code.
  const kept = new Map();
  function paths(layer) {
    if (kept.has(layer)) return kept.get(layer);
    const out = new Map();
    for (let i = starts[layer] + 1; i < starts[layer + 1]; i++) {
      const code = codes[i];
      if (!code) continue;
      let entry = out.get(code);
      if (!entry) out.set(code, (entry = { path: new Path2D(), last: -1 }));
      if (entry.last !== i - 1) entry.path.moveTo(u(i - 1), n(i - 1));
      entry.path.lineTo(u(i), n(i));
      entry.last = i;
    }
    kept.set(layer, out);
    return out;
  }
  const beadWidth = (code) => code < data.first ? data.beside[code - BRIM] : data.shades[code - data.first][0];

  function hatch(context) {
    const tile = document.createElement("canvas");
    tile.width = tile.height = 8;
    const ink = tile.getContext("2d");
    ink.fillStyle = "#fff";
    ink.fillRect(0, 0, 8, 8);
    ink.strokeStyle = INK;
    ink.lineWidth = 2;
    ink.beginPath();
    for (const shift of [-8, 0, 8]) { ink.moveTo(shift - 1, 9); ink.lineTo(shift + 9, -1); }
    ink.stroke();
    const pattern = context.createPattern(tile, "repeat");
    pattern.setTransform(context.getTransform().inverse());
    return pattern;
  }

  // Draw a layer. The corner of the canvas is at `left`, `back` in mm; `across` and `up` are dots per mm.
  function draw(context, layer, left, back, across, up, ratio) {
    const { width, height } = context.canvas;
    context.setTransform(1, 0, 0, 1, 0, 0);
    context.clearRect(0, 0, width, height);
    context.setTransform(across, 0, 0, up, -left * across, -back * up);
    context.lineJoin = context.lineCap = "round";
    const all = paths(layer);
    const beads = [...all.keys()].filter((code) => code !== DRY).sort((a, b) => a - b);
    context.strokeStyle = INK;
    for (const code of beads) {
      context.lineWidth = 1.02 * beadWidth(code);
      context.stroke(all.get(code).path);
    }
    for (const code of beads) {
      context.strokeStyle = code === BRIM ? "#d9d5c9" : code === SUPPORT ? hatch(context) : data.shades[code - data.first][1];
      context.lineWidth = data.narrowed * beadWidth(code);
      context.stroke(all.get(code).path);
    }
    const dry = all.get(DRY);
    if (!dry) return;
    const flat = new Path2D();
    flat.addPath(dry.path, context.getTransform());
    context.setTransform(1, 0, 0, 1, 0, 0);
    for (const [colour, wide] of [["#fff", 3], [INK, 1.2]]) {
      context.strokeStyle = colour;
      context.lineWidth = wide * ratio;
      context.setLineDash(colour === INK ? [5 * ratio, 4 * ratio] : []);
      context.stroke(flat);
    }
    context.setLineDash([]);
  }

  function fit(canvas, shape) {
    const ratio = window.devicePixelRatio || 1, wide = canvas.clientWidth;
    canvas.width = Math.max(1, Math.round(wide * ratio));
    canvas.height = Math.max(1, Math.round(wide * shape * ratio));
    canvas.style.height = wide * shape + "px";
    return ratio;
  }

  const slider = $("layer"), along = $("along"), whole = $("whole"), piece = $("piece");
  // Position of the window on the centreline of the wall.
  function place(share) {
    const line = data.middle, at = share * (line.length - 1), i = Math.min(Math.floor(at), line.length - 2), f = at - i;
    return [0, 1].map((k) => line[i][k] * (1 - f) + line[i + 1][k] * f);
  }

  function render() {
    const layer = Number(slider.value), which = Math.min(layer, 1);
    const [left, back, right, front] = data.boxes[which], larger = data.enlarged[which];
    const words = data.words[layer];
    $("words").textContent = words;
    slider.setAttribute("aria-valuetext", words.split(":")[0]);
    whole.setAttribute("aria-label", "As viewed from above. " + words);
    const bent = larger === 1;
    $("whole-words").textContent = "The whole layer" + (bent ? "." : "; its thickness is enlarged " + larger.toPrecision(2) + " times.");
    $("lower").setAttribute("aria-disabled", String(layer === 0));
    $("higher").setAttribute("aria-disabled", String(layer === Number(slider.max)));

    let ratio = fit(whole, larger * (front - back) / (right - left));
    const across = whole.width / (right - left), context = whole.getContext("2d");
    draw(context, layer, left, back, across, across * larger, ratio);

    const [middleU, middleN] = place(Number(along.value));
    const wide = Math.min(data.window[0], right - left), high = wide * data.window[1] / data.window[0];
    let from = middleU - wide / 2;
    from = Math.min(Math.max(from, left), right - wide);
    const top = middleN - high / 2;
    context.setTransform(1, 0, 0, 1, 0, 0);
    const edge = 1.5 * ratio;
    const frame = [(from - left) * across, Math.max(edge, (top - back) * across * larger), wide * across, 0];
    frame[3] = Math.min(whole.height - edge, (top + high - back) * across * larger) - frame[1];
    for (const [colour, line] of [["#fff", 5], [INK, 2]]) {
      context.strokeStyle = colour;
      context.lineWidth = line * ratio;
      context.strokeRect(...frame);
    }
    ratio = fit(piece, high / wide);
    const dots = piece.width / wide;
    draw(piece.getContext("2d"), layer, from, top, dots, dots, ratio);
    piece.setAttribute("aria-label", "To scale, u " + from.toFixed(1) + " to " + (from + wide).toFixed(1) + " mm of " + words.split(":")[0].toLowerCase());
    along.setAttribute("aria-valuetext", "u " + middleU.toFixed(0) + " mm");
  }

  function step(by) {
    slider.value = String(Number(slider.value) + by);
    render();
  }
  slider.addEventListener("input", render);
  along.addEventListener("input", render);
  $("lower").addEventListener("click", () => step(-1));
  $("higher").addEventListener("click", () => step(1));
  // A tap or click on the whole layer moves the window there.
  function point(event) {
    if (event.type === "pointermove" && !event.buttons) return;
    const box = whole.getBoundingClientRect(), [left, , right] = data.boxes[Math.min(Number(slider.value), 1)];
    const at = left + (event.clientX - box.left) / box.width * (right - left);
    let best = 0, nearest = Infinity;
    for (let share = 0; share <= 1; share += 0.01) {
      const away = Math.abs(place(share)[0] - at);
      if (away < nearest) { nearest = away; best = share; }
    }
    along.value = best.toFixed(2);
    render();
  }
  whole.addEventListener("pointerdown", point);
  whole.addEventListener("pointermove", point);
  let width = 0;
  new ResizeObserver(() => {
    if (whole.clientWidth !== width) requestAnimationFrame(render);
    width = whole.clientWidth;
  }).observe(whole);
  render();
}

for (const script of document.querySelectorAll("script[type='application/json']")) panel(script);

// Print all settings.
let opened = [];
window.addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll("details:not([open])")];
  for (const each of opened) each.open = true;
});
window.addEventListener("afterprint", () => { for (const each of opened) each.open = false; });
