// Tells when somebody else recorded a run, and shows an answer when it is made. The page works
// without it.
"use strict";
const notice = document.getElementById("live");
const known = document.body.dataset.version;
let tag = "";
async function look() {
  if (document.hidden) return;
  try {
    const answer = await fetch("/v1/history", tag ? { headers: { "If-None-Match": tag } } : {});
    if (answer.status !== 200) return;
    tag = answer.headers.get("ETag") || "";
    const version = String((await answer.json()).version ?? "");
    if (version !== known) notice.hidden = false;
  } catch { /* the service is away; the next look may find it */ }
}
if (notice) {
  setInterval(look, 4000);
  look();
}
const waiting = document.getElementById("waiting");
async function follow() {
  try {
    const answer = await fetch(`/v1/jobs/${waiting.dataset.job}`);
    if (answer.status === 429) return; // too many questions; the next may pass
    if (answer.ok) {
      const job = await answer.json();
      if (job.state === "waiting" || job.state === "running") {
        const said = waiting.querySelector("span"), last = job.progress.at(-1) ?? "waiting";
        const text = last[0].toUpperCase() + last.slice(1);
        if (said.textContent !== text) said.textContent = text;
        return;
      }
    }
  } catch { return; } // the service is away; the next look may find it
  location.replace(waiting.dataset.address);
}
if (waiting) setInterval(follow, 1000);
