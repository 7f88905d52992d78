// Shows what to expect while settings move. It asks for this same page with the fields as they
// stand, and takes over its answer. One question is under way at a time: moves made meanwhile wait,
// and only the last of them is asked. The page works without it.
"use strict";
const say = (text) => globalThis.TEXTS?.said[text] ?? text; // see assets.py
const form = document.getElementById("what-if"), answer = document.getElementById("answer");
const headline = document.getElementById("headline");
const TYPING = 350, FITTING = 500, BUSY = 2000; // milliseconds
let asking = false, moved = false, timer = 0;

const number = text => text.trim() === "" ? NaN : Number(text.trim().replace(",", "."));
const fieldOf = slider => form.elements[slider.dataset.of];
const sliders = [...form.querySelectorAll("input[type=range]")];

function place(slider) {
  const value = number(fieldOf(slider).value);
  if (!Number.isNaN(value)) slider.value = value;
  slider.setAttribute("aria-valuetext", `${slider.value} ${slider.dataset.unit}`);
}

function address() {
  const asked = new URLSearchParams();
  for (const [name, value] of new FormData(form)) if (value.trim()) asked.append(name, value.trim());
  return `/what-if?${asked}`;
}

function tell(text) {
  if (headline.textContent !== text) headline.textContent = text;
}

function askIn(milliseconds) {
  clearTimeout(timer);
  timer = setTimeout(ask, milliseconds);
}

async function ask() {
  clearTimeout(timer);
  moved = true;
  if (asking) return;
  asking = true;
  while (moved) {
    moved = false;
    answer.setAttribute("aria-busy", "true");
    await once(address());
  }
  asking = false;
}

async function once(where) {
  let page;
  try {
    const got = await fetch(where, { headers: { Accept: "text/html" } });
    if (got.status === 401) return location.assign(where); // the page to sign in
    if (got.status === 429) {
      tell(say("The service is busy; it is asked again."));
      return askIn(BUSY);
    }
    page = new DOMParser().parseFromString(await got.text(), "text/html");
  } catch {
    return fail(say("The service cannot be reached. It is asked again at the next move."));
  }
  if (!page.getElementById("answer")) {
    return fail(page.querySelector("main")?.textContent.trim().replace(/\s+/g, " ") || say("The service failed."));
  }
  history.replaceState(null, "", where);
  take(page);
}

function fail(text) {
  const said = document.createElement("p");
  said.className = "refused";
  said.textContent = text;
  answer.querySelector(".failed")?.remove();
  said.classList.add("failed");
  answer.prepend(said);
  answer.setAttribute("aria-busy", "false");
  tell(text);
}

function take(page) {
  const got = page.getElementById("answer");
  if ("waiting" in got.dataset) { // the figures before stay until there are new ones
    tell(page.getElementById("headline").textContent);
    if (!answer.querySelector("dl")) answer.replaceChildren(...got.childNodes);
    return askIn(FITTING);
  }
  answer.replaceChildren(...got.childNodes);
  answer.setAttribute("aria-busy", "false");
  tell(page.getElementById("headline").textContent);
  for (const entry of form.querySelectorAll("[data-field]")) takeField(entry, page);
  sliders.forEach(place);
}

function takeField(entry, page) {
  const got = page.querySelector(`[data-field="${CSS.escape(entry.dataset.field)}"]`);
  if (!got) return;
  const input = entry.querySelector("input"), fresh = got.querySelector("input");
  const fault = entry.querySelector(".fault"), news = got.querySelector(".fault");
  if (fault?.textContent !== news?.textContent) {
    fault?.remove();
    if (news) input.closest("label").after(news);
  }
  for (const name of ["aria-invalid", "aria-describedby"]) {
    if (fresh.hasAttribute(name)) input.setAttribute(name, fresh.getAttribute(name));
    else input.removeAttribute(name);
  }
  // Only settings that nobody chose are filled in, never a field that somebody types in.
  if (input.value === "" && input !== document.activeElement) input.value = fresh.value;
}

if (sliders.length) {
  for (const slider of sliders) {
    slider.hidden = false;
    place(slider);
    slider.addEventListener("input", () => {
      fieldOf(slider).value = slider.value;
      place(slider);
      ask();
    });
    fieldOf(slider).addEventListener("input", () => place(slider));
  }
  form.querySelector("button").hidden = true;
  form.addEventListener("input", event => {
    if (event.target.type === "text") askIn(TYPING);
  });
  form.addEventListener("submit", event => {
    event.preventDefault();
    ask();
  });
  // Another line has other ranges and runs: its own page starts anew.
  form.elements.line.addEventListener("change", () => {
    for (const slider of sliders) fieldOf(slider).value = "";
    location.assign(address());
  });
  if ("waiting" in answer.dataset) askIn(FITTING);
}
