"use strict";
// Correcting an outline with a finger. Rings and strokes are kept in pixels of the upright photo (pixel centres at integers); the laptop fits the edge and judges.
const editor = document.getElementById("editor");
const given = JSON.parse(editor.dataset.outline);
const canvas = editor.querySelector("canvas");
const photo = document.getElementById("photo");
const state = editor.querySelector(".state");
const token = document.querySelector('meta[name="csrf"]').content;
const REACH = 44, BRUSH = 22; // css pixels: a fingertip
let rings = given.rings, strokes = [], past = [];
let tool = "drag", scale = 1, left = 0, top_ = 0, held = null, pinch = null;
const fingers = new Map();

function fit() {
  const box = canvas.getBoundingClientRect();
  const points = rings.flat();
  const whole = !points.length || fit.whole;
  const xs = whole ? [0, given.width] : points.map((p) => p[0]), ys = whole ? [0, given.height] : points.map((p) => p[1]);
  const lo = [Math.min(...xs), Math.min(...ys)], hi = [Math.max(...xs), Math.max(...ys)];
  const margin = whole ? 1 : 1.25;
  scale = Math.min(box.width / ((hi[0] - lo[0]) * margin), box.height / ((hi[1] - lo[1]) * margin));
  left = box.width / 2 - scale * (lo[0] + hi[0]) / 2;
  top_ = box.height / 2 - scale * (lo[1] + hi[1]) / 2;
  draw();
}
const toPhoto = (c) => [(c[0] - left) / scale, (c[1] - top_) / scale];
const at = (e) => { const r = canvas.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };

function draw() {
  const ratio = window.devicePixelRatio || 1, w = canvas.clientWidth, h = canvas.clientHeight;
  if (canvas.width !== Math.round(w * ratio)) { canvas.width = Math.round(w * ratio); canvas.height = Math.round(h * ratio); }
  const c = canvas.getContext("2d");
  c.setTransform(ratio, 0, 0, ratio, 0, 0);
  c.fillStyle = "#222";
  c.fillRect(0, 0, w, h);
  if (photo.naturalWidth) c.drawImage(photo, left - 0.5 * scale, top_ - 0.5 * scale, given.width * scale, given.height * scale);
  const path = (ring) => { c.beginPath(); ring.forEach((p, i) => c[i ? "lineTo" : "moveTo"](left + p[0] * scale, top_ + p[1] * scale)); };
  for (const s of strokes) {
    path(s.points.length > 1 ? s.points : [s.points[0], s.points[0]]);
    c.lineCap = c.lineJoin = "round";
    c.lineWidth = 2 * s.radius * scale;
    c.strokeStyle = s.metal ? "rgba(86,180,233,.55)" : "rgba(213,94,0,.55)";
    c.stroke();
    c.lineWidth = 2;
    c.setLineDash(s.metal ? [] : [4, 6]);
    c.strokeStyle = "#fff";
    c.stroke();
    c.setLineDash([]);
  }
  for (const ring of rings) {
    path(ring);
    c.closePath();
    c.lineWidth = 6; c.strokeStyle = "#000"; c.stroke();
    c.lineWidth = 3; c.strokeStyle = "#56b4e9"; c.stroke();
    if (tool === "drag") {
      let since = 60;
      ring.forEach((p, i) => {
        if (i) since += Math.hypot(p[0] - ring[i - 1][0], p[1] - ring[i - 1][1]) * scale;
        if (since < 60) return;
        since = 0;
        c.beginPath();
        c.arc(left + p[0] * scale, top_ + p[1] * scale, 8, 0, 7);
        c.fillStyle = "#fff"; c.fill(); c.lineWidth = 3; c.strokeStyle = "#000"; c.stroke();
      });
    }
  }
}
function remember() {
  past.push(JSON.stringify({ rings, strokes }));
  if (past.length > 40) past.shift();
  buttons();
}
function buttons() {
  editor.querySelector('[data-act="undo"]').disabled = !past.length;
  editor.querySelector('[data-act="send"]').disabled = !past.length;
}
function nearest(p) {
  let best = null;
  rings.forEach((ring, r) => ring.forEach((q, i) => {
    const d = Math.hypot(q[0] - p[0], q[1] - p[1]) * scale;
    if (d < REACH && (!best || d < best.d)) best = { r, i, d };
  }));
  return best;
}
function press(c) {
  const p = toPhoto(c);
  held = null;
  if (tool === "move") { held = { move: c }; return; }
  if (tool === "drag") {
    const hit = nearest(p);
    if (!hit) { held = { move: c }; return; }
    remember();
    const ring = rings[hit.r], n = ring.length, arc = new Array(n).fill(Infinity);
    arc[hit.i] = 0; // along the outline, both ways
    for (const way of [1, -1]) {
      let sum = 0;
      for (let k = 1; k < n; k++) {
        const a = ring[(hit.i + way * (k - 1) + n * 2) % n], i = (hit.i + way * k + n * 2) % n;
        sum += Math.hypot(ring[i][0] - a[0], ring[i][1] - a[1]);
        if (sum * scale > 3 * REACH) break;
        arc[i] = Math.min(arc[i], sum);
      }
    }
    held = { ring: hit.r, from: p, was: ring.map((q) => q.slice()), weight: arc.map((s) => Math.exp(-0.5 * (s * scale / REACH) ** 2)) };
    return;
  }
  remember();
  strokes.push({ metal: tool === "metal", radius: Math.max(0.5, BRUSH / scale), points: [p] });
  held = { stroke: strokes[strokes.length - 1] };
}
function drag(c) {
  if (!held) return;
  const p = toPhoto(c);
  if (held.move) { left += c[0] - held.move[0]; top_ += c[1] - held.move[1]; held.move = c; }
  else if (held.stroke) held.stroke.points.push(p);
  else rings[held.ring] = held.was.map((q, i) => [q[0] + held.weight[i] * (p[0] - held.from[0]), q[1] + held.weight[i] * (p[1] - held.from[1])]);
  draw();
}
function about(c, by) {
  const to = Math.min(20, Math.max(0.02, scale * by));
  left = c[0] - (c[0] - left) * to / scale;
  top_ = c[1] - (c[1] - top_) * to / scale;
  scale = to;
  draw();
}
function undo() {
  if (!past.length) return;
  ({ rings, strokes } = JSON.parse(past.pop()));
  buttons();
  draw();
}
canvas.addEventListener("pointerdown", (e) => {
  canvas.setPointerCapture(e.pointerId);
  fingers.set(e.pointerId, at(e));
  if (fingers.size === 1) press(at(e));
  if (fingers.size === 2) {
    if (held && !held.move) undo(); // a second finger: it was a zoom, not a stroke
    held = null;
    pinch = [...fingers.values()];
  }
  draw();
});
canvas.addEventListener("pointermove", (e) => {
  if (!fingers.has(e.pointerId)) return;
  fingers.set(e.pointerId, at(e));
  if (fingers.size === 1) drag(at(e));
  if (fingers.size === 2 && pinch) {
    const now = [...fingers.values()];
    const far = (p) => Math.max(1, Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]));
    const mid = (p) => [(p[0][0] + p[1][0]) / 2, (p[0][1] + p[1][1]) / 2];
    left += mid(now)[0] - mid(pinch)[0];
    top_ += mid(now)[1] - mid(pinch)[1];
    about(mid(now), far(now) / far(pinch));
    pinch = now;
  }
});
for (const end of ["pointerup", "pointercancel"]) canvas.addEventListener(end, (e) => { fingers.delete(e.pointerId); held = null; pinch = null; });
canvas.addEventListener("wheel", (e) => { e.preventDefault(); about(at(e), Math.exp(-e.deltaY / 300)); }, { passive: false });

const round = (p) => [Math.round(p[0] * 100) / 100, Math.round(p[1] * 100) / 100];
async function judge() {
  const button = editor.querySelector('[data-act="send"]');
  button.disabled = true;
  state.textContent = "Judging ...";
  const body = JSON.stringify({ rings: rings.map((r) => r.map(round)), strokes: strokes.map((s) => ({ ...s, points: s.points.map(round) })) });
  try {
    let r = await fetch(`/judgement/${editor.dataset.number}/correct`, { method: "POST", headers: { "x-csrf": token, accept: "application/json" }, body });
    let told = await r.json();
    while (r.ok && told.state === "waiting") {
      r = await fetch(`/upload/${told.id}?wait=1`, { headers: { accept: "application/json" } });
      told = await r.json();
    }
    if (told.state === "done") { location.assign(`/judgement/${told.judgement}`); return; }
    state.textContent = `${told.says || "It wasn't taken."} ${told.remedy || ""}`;
  } catch (e) { state.textContent = "No connection. Your correction is still on this page: try again when the laptop is back."; }
  button.disabled = false;
}
editor.addEventListener("click", (e) => {
  const button = e.target.closest("button");
  if (!button) return;
  if (button.dataset.tool) {
    tool = button.dataset.tool;
    for (const b of editor.querySelectorAll("[data-tool]")) b.setAttribute("aria-pressed", String(b === button));
  }
  const middle = [canvas.clientWidth / 2, canvas.clientHeight / 2];
  switch (button.dataset.act) {
    case "undo": undo(); break;
    case "in": about(middle, 1.5); break;
    case "out": about(middle, 1 / 1.5); break;
    case "all": fit.whole = !fit.whole; fit(); break;
    case "send": judge(); break;
  }
  draw();
});
fit();
photo.addEventListener("load", draw);
window.addEventListener("resize", draw); // a phone's address bar comes and goes: the view stays
