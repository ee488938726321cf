// Mouse, pen and fingers on a drawing: drag moves, wheel and pinch zoom, a short touch chooses.

/** Binds `canvas`; `act` {zoom(factor, x), pan(dx), click(x, y), inside(x, y)}. */
export function hands(canvas, act) {
  const down = new Map();
  let moved = 0;
  let apart = 0;
  const at = (event) => {
    const box = canvas.getBoundingClientRect();
    return [event.clientX - box.left, event.clientY - box.top];
  };
  canvas.addEventListener("wheel", (event) => {
    const [x, y] = at(event);
    // Over the names of the lanes the wheel scrolls the page.
    if (!act.inside(x, y)) return;
    event.preventDefault();
    if (Math.abs(event.deltaX) > Math.abs(event.deltaY) || event.shiftKey) act.pan(-(event.deltaX || event.deltaY));
    else act.zoom(Math.exp(Math.max(-0.7, Math.min(0.7, event.deltaY / 300))), x);
  }, { passive: false });
  canvas.addEventListener("pointerdown", (event) => {
    if (event.button) return;
    down.set(event.pointerId, at(event));
    try { canvas.setPointerCapture(event.pointerId); } catch { /* a pointer that is up again */ }
    if (down.size === 1) moved = 0;
    if (down.size === 2) apart = gap();
  });
  const gap = () => {
    const [a, b] = [...down.values()];
    return Math.max(20, Math.abs(a[0] - b[0]));
  };
  canvas.addEventListener("pointermove", (event) => {
    const before = down.get(event.pointerId);
    if (!before) return;
    const now = at(event);
    down.set(event.pointerId, now);
    if (down.size === 1) {
      moved += Math.abs(now[0] - before[0]);
      if (moved > 4) act.pan(now[0] - before[0]);
    } else if (down.size === 2) {
      moved = 99;
      const wide = gap();
      const [a, b] = [...down.values()];
      act.zoom(apart / wide, (a[0] + b[0]) / 2);
      apart = wide;
    }
  });
  const up = (event) => {
    const place = down.get(event.pointerId);
    down.delete(event.pointerId);
    if (place && moved <= 4 && event.type === "pointerup" && down.size === 0) act.click(...place);
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("dblclick", (event) => act.zoom(0.4, at(event)[0]));
}
