"use strict";
// Looking closer at a photo: two fingers, a mouse wheel, or the buttons. One finger scrolls the page until the photo is enlarged; then it moves the photo.
for (const box of document.querySelectorAll(".zoom")) {
  const img = box.querySelector("img");
  const fingers = new Map();
  let scale = 1, x = 0, y = 0;
  const show = () => {
    scale = Math.min(10, Math.max(1, scale));
    x = Math.min(0, Math.max(box.clientWidth * (1 - scale), x));
    y = Math.min(0, Math.max(box.clientHeight * (1 - scale), y));
    img.style.transform = `translate(${x}px, ${y}px) scale(${scale})`;
    box.classList.toggle("closer", scale > 1);
  };
  const about = (px, py, by) => {
    const to = Math.min(10, Math.max(1, scale * by));
    x = px - (px - x) * to / scale;
    y = py - (py - y) * to / scale;
    scale = to;
    show();
  };
  const middle = () => about.bind(null, box.clientWidth / 2, box.clientHeight / 2);
  const at = (e) => { const r = box.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  box.addEventListener("pointerdown", (e) => { fingers.set(e.pointerId, at(e)); });
  box.addEventListener("pointermove", (e) => {
    if (!fingers.has(e.pointerId)) return;
    const before = [...fingers.values()], old = fingers.get(e.pointerId), now = at(e);
    fingers.set(e.pointerId, now);
    if (fingers.size === 1 && scale > 1) { x += now[0] - old[0]; y += now[1] - old[1]; show(); }
    if (fingers.size === 2) {
      const after = [...fingers.values()];
      const far = (p) => Math.hypot(p[0][0] - p[1][0], p[0][1] - p[1][1]);
      about((after[0][0] + after[1][0]) / 2, (after[0][1] + after[1][1]) / 2, far(after) / Math.max(1, far(before)));
    }
  });
  for (const end of ["pointerup", "pointercancel", "pointerleave"]) box.addEventListener(end, (e) => fingers.delete(e.pointerId));
  // the browser would take a second finger for its own zoom of the whole page
  box.addEventListener("touchstart", (e) => { if (e.touches.length > 1) e.preventDefault(); }, { passive: false });
  box.addEventListener("wheel", (e) => { if (e.ctrlKey || scale > 1) { e.preventDefault(); about(...at(e), Math.exp(-e.deltaY / 300)); } }, { passive: false });
  for (const button of box.parentElement.querySelectorAll("[data-zoom]")) {
    button.addEventListener("click", () => {
      if (button.dataset.zoom === "all") { scale = 1; show(); } else { middle()(button.dataset.zoom === "in" ? 1.6 : 1 / 1.6); }
    });
  }
}
