// Follows the job of an answer that is being made, and leads to the answer. The page works without
// it: it then asks again by itself.
"use strict";
const waiting = document.getElementById("waiting");
const stages = waiting.querySelector(".stages");
const said = waiting.querySelector("[role=status] b");
const opened = performance.now() - 1000 * Number(waiting.dataset.seconds);
function write(element, text) {
  if (element.textContent !== text) element.textContent = text;
}
function show(job) {
  while (stages.children.length < job.progress.length) {
    stages.append(document.createElement("li"));
  }
  job.progress.forEach((text, k) => write(stages.children[k], text));
  const number = job.progress.length;
  const most = job.stages ? ` of up to ${job.stages}` : "";
  if (number) write(said, `Stage ${number}${most}: ${job.progress.at(-1)}`);
  if (job.state !== "waiting") write(document.getElementById("before"), "");
}
function count() {
  const seconds = Math.floor((performance.now() - opened) / 1000), minutes = Math.floor(seconds / 60);
  const text = minutes ? `${minutes} min ${seconds % 60} s` : `${seconds} s`;
  write(document.getElementById("elapsed"), text);
}
async function follow() {
  count();
  try {
    const answer = await fetch(`/v1/jobs/${waiting.dataset.job}`);
    if (answer.status === 429) return; // too many questions; the next may pass
    if (answer.ok) {
      const job = await answer.json();
      if (job.state === "waiting" || job.state === "running") return show(job);
    }
  } catch { return; } // the service is away; the next look may find it
  location.replace(waiting.dataset.address);
}
setInterval(follow, 1000);
