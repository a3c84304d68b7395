// The keyboard on the load strip: one stop for Tab, and arrows from day to day. Without this script each day is a stop.
"use strict";

for (const strip of document.querySelectorAll("[data-strip]")) {
  const seen = () => [...strip.querySelectorAll("a.strip-day")].filter((day) => day.getClientRects().length);

  const settle = (chosen) => {
    for (const day of strip.querySelectorAll("a.strip-day")) day.setAttribute("tabindex", "-1");
    // Of the drawing that is seen one day keeps its stop, so that the strip stays within reach.
    const days = seen();
    const stop = chosen || days.find((day) => day.classList.contains("is-today")) || days[0];
    if (stop) stop.setAttribute("tabindex", "0");
  };

  const steps = (days) => {
    const tall = days.length > 0 && days[0].closest(".strip-tall") !== null;
    return tall
      ? { ArrowDown: 1, ArrowUp: -1, ArrowRight: 7, ArrowLeft: -7 }
      : { ArrowRight: 1, ArrowLeft: -1, ArrowDown: 7, ArrowUp: -7 };
  };

  strip.addEventListener("keydown", (event) => {
    const days = seen();
    const at = days.indexOf(event.target.closest("a.strip-day"));
    if (at < 0 || event.ctrlKey || event.altKey || event.metaKey || event.shiftKey) return;
    const step = steps(days)[event.key];
    const to =
      event.key === "Home" ? 0 : event.key === "End" ? days.length - 1 : step === undefined ? -1 : at + step;
    if (step === undefined && event.key !== "Home" && event.key !== "End") return;
    event.preventDefault();
    const day = days[Math.max(0, Math.min(days.length - 1, to))];
    settle(day);
    day.focus();
  });

  // A mouse or a script may put the focus on another day, a fold or a turned screen may hide the one that had it.
  strip.addEventListener("focusin", (event) => {
    const day = event.target.closest("a.strip-day");
    if (day) settle(day);
  });
  strip.addEventListener("toggle", () => settle(), true);
  window.addEventListener("resize", () => settle());
  settle();
}
