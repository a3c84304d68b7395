// What follows needs no script: copy buttons, and a page about something under way that looks again by itself.

// The copy button: puts the text of a field next to it on the clipboard. Without this script the field can be selected.
"use strict";

for (const button of document.querySelectorAll("button[data-copies]")) {
  const field = document.getElementById(button.dataset.copies);
  const said = document.createElement("span");
  said.setAttribute("role", "status");
  said.className = "said";
  button.hidden = !field;
  button.after(said);
  button.addEventListener("click", async () => {
    try {
      await navigator.clipboard.writeText(field.value);
      said.textContent = "Copied.";
    } catch {
      field.focus();
      field.select();
      said.textContent = "Selected: copy it with your keyboard or your device's menu.";
    }
  });
}

// A page about something that is under way looks again after so many seconds, while it is looked at.
for (const note of document.querySelectorAll("[data-again]")) {
  setInterval(() => {
    if (document.visibilityState === "visible") location.reload();
  }, 1000 * Number(note.dataset.again));
}
