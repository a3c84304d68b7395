// What the form gains from a script: the time zone found by itself, rows without a round trip, and the running line.
// Everything works without it.
"use strict";

for (const form of document.querySelectorAll("form[data-preview-url]")) {
  fillZone(form);
  addRows(form);
  keepLooking(form);
}

// The reader's own zone, where none is typed.
function fillZone(form) {
  const field = form.querySelector("input[data-zone]");
  if (field && !field.value) field.value = Intl.DateTimeFormat().resolvedOptions().timeZone || "";
}

const MOST_ROWS = { exam: 20, hours: 120, appointment: 100 };

// A button "another ..." adds the rows that the page holds ready for it, and puts the cursor there.
function addRows(form) {
  form.addEventListener("click", (event) => {
    const name = event.target.closest("button[data-adds]")?.dataset.adds;
    const templates = name ? [...form.querySelectorAll(`template[data-row="${name}"]`)] : [];
    const number = nextNumber(form, name);
    if (!templates.length || number > MOST_ROWS[name]) return; // the server says so
    event.preventDefault();
    const rows = templates.map((template) => row(template, number, name));
    rows[0].querySelector("input:not([type=hidden])").focus();
  });
}

function nextNumber(form, name) {
  const numbers = [...form.elements].map((field) => Number(field.name.match(`^${name}-([0-9]+)-`)?.[1] || 0));
  return Math.max(0, ...numbers) + 1;
}

function row(template, number, name) {
  const made = template.content.cloneNode(true).firstElementChild;
  const walker = document.createTreeWalker(made, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
  for (let node = made; node; node = walker.nextNode()) {
    if (node.nodeType === Node.TEXT_NODE) {
      node.data = node.data.replaceAll("__n__", number);
    } else {
      for (const attribute of node.attributes) attribute.value = attribute.value.replaceAll("__n__", number);
    }
  }
  document.getElementById(template.dataset.into).append(made);
  return made;
}

// A moment after the last change, the server is asked what the plan comes to. A failure leaves the last answer.
function keepLooking(form) {
  const place = document.getElementById("preview");
  const line = document.querySelector("#running a");
  let timer = 0;
  let asked = null;

  form.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(look, 600);
  });

  async function look() {
    asked?.abort();
    asked = new AbortController();
    const body = new FormData(form);
    for (const [name, value] of [...body]) if (value instanceof File) body.delete(name);
    try {
      const answer = await fetch(form.dataset.previewUrl, { method: "POST", body, signal: asked.signal });
      if (answer.ok) show(await answer.text());
    } catch {
      // aborted, or out of reach: what stands there still stands
    }
  }

  function show(text) {
    const found = new DOMParser().parseFromString(text, "text/html").querySelector(".preview");
    const sentence = found?.querySelector("[data-running]")?.textContent.trim();
    if (!sentence) return;
    place.replaceChildren(found);
    if (line.textContent !== sentence) line.textContent = sentence;
  }
}
