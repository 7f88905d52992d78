// Keeps what is typed into forms marked data-keep="KEY" in this browser until the service says that
// it was stored, and puts it back on the next visit. Pages work without it.
//
// A form that is sent carries a number in its address. Where the service stored it, it answers with
// a cookie of that number; then what was kept is forgotten. Nothing else proves that it is stored:
// a page can be left, reloaded or closed while a form is on its way. Keys hold the person, so that
// nobody sees what somebody else typed; signing out forgets all that the person had typed.
"use strict";
(() => {
  const say = (text) => globalThis.TEXTS?.said[text] ?? text; // see assets.py
  const PERSON = document.body.dataset.person;
  const START = `highside:keep:${PERSON}:`;
  const COOKIE = /(?:^|; )(highside_stored_([0-9a-f]{1,32}))=/g;
  const DAYS = 30;
  const NOT_KEPT = ["hidden", "password", "file", "submit", "button"];
  // The page of a refused form has the number of the form in its own address.
  const SENT = new URLSearchParams(location.search).get("keep");

  function read(name) {
    try {
      return JSON.parse(localStorage.getItem(name));
    } catch { return null; } // damaged, or no storage
  }
  function write(name, kept) {
    try {
      if (kept) localStorage.setItem(name, JSON.stringify(kept));
      else localStorage.removeItem(name);
    } catch { /* no storage, or it is full: the page still works */ }
  }
  function mine() {
    try {
      return Object.keys(localStorage).filter((name) => name.startsWith(START));
    } catch { return []; }
  }

  // The second word ("it is right") belongs to what stands there now, so it is given anew.
  const fieldsOf = (form) => [...form.elements].filter((field) =>
    field.name && field.name !== "sure" && !NOT_KEPT.includes(field.type));
  const isBox = (field) => field.type === "checkbox" || field.type === "radio";
  const idOf = (field) => isBox(field) ? `${field.name}=${field.value}` : field.name;
  const valueOf = (field) => isBox(field) ? field.checked : field.value;
  function atFirst(field) {
    if (isBox(field)) return field.defaultChecked;
    if (field.tagName !== "SELECT") return field.defaultValue;
    const chosen = [...field.options].find((option) => option.defaultSelected);
    return (chosen || field.options[0] || { value: "" }).value;
  }

  function keep(form) {
    const name = START + form.dataset.keep, before = read(name), typed = {};
    const sent = before ? before.sent : undefined;
    for (const field of fieldsOf(form)) {
      const value = valueOf(field);
      // The fields of a refused form begin with what was typed before.
      if (value !== atFirst(field) || (sent && sent === SENT && value)) typed[idOf(field)] = value;
    }
    write(name, Object.keys(typed).length ? { at: Date.now(), sent, typed } : null);
  }

  function putBack(form) {
    const name = START + form.dataset.keep, kept = read(name);
    if (!kept || !kept.typed) return;
    let changed = false;
    for (const field of fieldsOf(form)) {
      const value = kept.typed[idOf(field)];
      if (value === undefined || value === valueOf(field)) continue;
      if (isBox(field)) field.checked = value;
      else field.value = value;
      changed = changed || valueOf(field) === value;
    }
    if (changed) tell(form, name);
  }

  function tell(form, name) {
    const said = document.createElement("div"), text = document.createElement("p");
    const discard = document.createElement("button");
    said.className = "kept";
    said.setAttribute("role", "status");
    text.textContent = say("What was typed here before is back.");
    discard.type = "button";
    discard.className = "act second";
    discard.textContent = say("Discard it");
    discard.addEventListener("click", () => {
      write(name, null);
      form.reset();
      said.remove();
      const first = fieldsOf(form)[0];
      if (first) first.focus();
    });
    said.append(text, discard);
    form.prepend(said);
    for (let at = form.parentElement; at; at = at.parentElement) {
      if (at.tagName === "DETAILS") at.open = true;
    }
  }

  function sending(form) {
    const name = START + form.dataset.keep;
    keep(form);
    const kept = read(name), address = new URL(form.action);
    address.searchParams.delete("keep");
    if (kept) {
      const number = crypto.getRandomValues(new Uint32Array(4));
      kept.sent = Array.from(number, (part) => part.toString(16)).join("").slice(0, 32);
      write(name, kept);
      address.searchParams.set("keep", kept.sent);
    }
    form.action = address.pathname + address.search;
  }

  // What was stored since the last page, and what nobody came back for.
  const stored = [...document.cookie.matchAll(COOKIE)].map((found) => found.slice(1, 3));
  for (const name of mine()) {
    const kept = read(name);
    const old = !kept || Date.now() - kept.at > DAYS * 24 * 3600 * 1000;
    if (old || stored.some(([, number]) => number === kept.sent)) write(name, null);
  }
  for (const [cookie] of stored) document.cookie = `${cookie}=; Path=/; Max-Age=0; SameSite=Strict`;

  for (const form of document.querySelectorAll("form[data-keep]")) {
    putBack(form);
    form.addEventListener("input", () => keep(form));
    form.addEventListener("change", () => keep(form));
    form.addEventListener("submit", () => sending(form));
  }
  for (const form of document.querySelectorAll('form[action="/sign-out"]')) {
    form.addEventListener("submit", () => mine().forEach((name) => write(name, null)));
  }
})();
