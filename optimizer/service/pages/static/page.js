// Tells when somebody else recorded a run. The page works without it.
"use strict";
const notice = document.getElementById("live");
const known = document.body.dataset.version;
let tag = "";
async function look() {
  if (document.hidden) return;
  try {
    const answer = await fetch("/v1/history", tag ? { headers: { "If-None-Match": tag } } : {});
    if (answer.status === 401) clearInterval(looking); // the session has ended
    if (answer.status !== 200) return;
    tag = answer.headers.get("ETag") || "";
    const version = String((await answer.json()).version ?? "");
    if (version !== known) notice.hidden = false;
  } catch { /* the service is away; the next look may find it */ }
}
let looking = 0;
if (notice) {
  looking = setInterval(look, 4000);
  look();
}
