// On every page: type in three sizes, and nothing is hit by the second of two quick taps.
"use strict";
(function () {
  const root = document.documentElement;
  let size = 0;
  try { size = Number(localStorage.getItem("type size")) || 0; } catch { /* no storage */ }
  const show = () => { root.className = ["", "larger", "largest"][size % 3]; };
  show();
  addEventListener("click", (event) => {
    if (!event.target.closest("#larger")) return;
    size = (size + 1) % 3;
    show();
    try { localStorage.setItem("type size", size); } catch { /* until the page is left */ }
  });
  // A page that comes back as it was left may be old.
  addEventListener("pageshow", (event) => {
    if (event.persisted) fetch(location.href).then(() => location.reload(), () => { /* offline */ });
  });
  addEventListener("DOMContentLoaded", () => {
    const button = document.getElementById("larger");
    if (button) button.hidden = false;
  });

  // Two quick taps at one place were meant for the page that the first of them has left, as was
  // one that comes when a slow page has just appeared.
  const began = performance.now();
  function tap(event) {
    const { clientX: x, clientY: y, timeStamp } = event, at = performance.timeOrigin + timeStamp;
    try {
      const last = JSON.parse(sessionStorage.getItem("tap"));
      const soon = last && Math.min(Math.abs(at - last.at), timeStamp - began) < 500;
      if (soon && Math.hypot(x - last.x, y - last.y) < 40) {
        event.preventDefault();
        event.stopPropagation();
      } else if (event.detail) {
        const onward = event.target.closest("a, button:not([type=button])");
        sessionStorage.setItem("tap", JSON.stringify(onward && { at, x, y }));
      }
    } catch { /* no storage */ }
  }
  addEventListener("pointerdown", tap, true);  // a line of steps takes it before the click
  addEventListener("click", (event) => { if (event.detail) tap(event); }, true);  // not by keyboard
})();
