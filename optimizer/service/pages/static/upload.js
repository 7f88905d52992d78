// Takes a file that is dropped anywhere on the page, and looks again while a file is checked. The
// pages work without it.
"use strict";
const choose = document.getElementById("choose");
if (choose) {
  const section = document.getElementById("drop");
  const holdsFile = (event) => [...event.dataTransfer.types].includes("Files");
  document.querySelector(".drop-hint").hidden = false;
  document.addEventListener("dragover", (event) => {
    if (!holdsFile(event)) return;
    event.preventDefault();
    section.classList.add("dropping");
  });
  document.addEventListener("dragleave", (event) => {
    if (!event.relatedTarget) section.classList.remove("dropping");
  });
  document.addEventListener("drop", (event) => {
    if (!holdsFile(event)) return;
    event.preventDefault();
    section.classList.remove("dropping");
    choose.elements.file.files = event.dataTransfer.files;
    choose.requestSubmit();
  });
}
const checking = document.getElementById("checking");
if (checking) setTimeout(() => location.replace(checking.dataset.address), 1500);
