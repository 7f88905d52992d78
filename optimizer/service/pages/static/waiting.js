// Follows an answer that is being made: it asks for this same page and takes over its stages, and
// leads to the answer. The page works without it: it then asks again by itself.
"use strict";
const waiting = document.getElementById("waiting");
const stages = waiting.querySelector(".stages");
const opened = performance.now() - 1000 * Number(waiting.dataset.seconds);
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
function show(page) {
  stages.replaceChildren(...page.querySelector(".stages").children);
  for (const place of ["[role=status] b", "#before"]) {
    write(document.querySelector(`#waiting ${place}`), page.querySelector(`#waiting ${place}`).textContent);
  }
}
function count() {
  const seconds = Math.floor((performance.now() - opened) / 1000), minutes = Math.floor(seconds / 60);
  const text = minutes ? `${minutes} min ${seconds % 60} s` : `${seconds} s`;
  write(document.getElementById("elapsed"), text);
}
async function follow() {
  count();
  try {
    const answer = await fetch(waiting.dataset.address, { headers: { Accept: "text/html" }, redirect: "manual" });
    if (answer.status === 429) return; // too many questions; the next may pass
    if (answer.ok) {
      const page = new DOMParser().parseFromString(await answer.text(), "text/html");
      if (page.getElementById("waiting")) return show(page);
    }
  } catch { return; } // the service is away; the next look may find it
  location.replace(waiting.dataset.address);
}
setInterval(follow, 1000);
