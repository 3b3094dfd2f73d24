// Browsers run no workers from a file: whoever opens the page so is told what to do. No module, so that it runs there.
if (location.protocol === "file:") {
  document.getElementById("opened").hidden = false;
  document.getElementById("stage").hidden = true;
}
