// Draws every figure that stands on the page as data, in the page's own ink.
(function () {
  "use strict";
  var boxes = Array.prototype.slice.call(document.querySelectorAll(".chart"));
  function colour(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }
  function ink(force) {
    var text = force || colour("--soft"), grid = colour("--grid"), line = colour("--line");
    return { "font.color": text, "xaxis.gridcolor": grid, "yaxis.gridcolor": grid,
      "xaxis.linecolor": line, "hoverlabel.bgcolor": colour("--shade"),
      "hoverlabel.font.color": colour("--ink") };
  }
  function repaint(force) {
    boxes.forEach(function (box) {
      if (box.classList.contains("drawn")) { window.Plotly.relayout(box, ink(force)); }
    });
  }
  function draw(box) {
    var figure = JSON.parse(document.getElementById(box.id + "-data").textContent);
    var missing = box.querySelector(".missing");
    if (missing) { missing.remove(); }
    box.style.height = figure.layout.height + "px";
    window.Plotly.newPlot(box, figure.data, figure.layout,
      { responsive: true, displayModeBar: false, showLink: false }).then(function () {
      window.Plotly.relayout(box, ink());
    });
    box.classList.add("drawn");
  }
  if (!window.Plotly) { return; }
  // A chart in a closed section has no width yet: it is drawn when the section is opened.
  function drawSeen(all) {
    boxes.forEach(function (box) {
      if (!box.classList.contains("drawn") && (all || box.offsetWidth > 0)) { draw(box); }
    });
  }
  drawSeen();
  window.addEventListener("hashchange", function () { drawSeen(); });
  Array.prototype.forEach.call(document.querySelectorAll("details"), function (details) {
    details.addEventListener("toggle", function () { drawSeen(); });
  });
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  if (dark.addEventListener) { dark.addEventListener("change", function () { repaint(); }); }
  // On paper two charts share a row, so each is drawn anew for half of it rather than shrunk.
  function resize(paper) {
    boxes.forEach(function (box) {
      if (!box.classList.contains("drawn")) { return; }
      var figure = JSON.parse(document.getElementById(box.id + "-data").textContent);
      var height = Math.round((paper ? 0.56 : 1) * figure.layout.height);
      var change = { width: paper ? 330 : null, height: height, autosize: !paper,
        "font.size": paper ? 8.5 : figure.layout.font.size };
      (figure.layout.annotations || []).forEach(function (note, i) {
        change["annotations[" + i + "].font.size"] = paper ? 8 : note.font.size;
      });
      box.style.height = height + "px";
      window.Plotly.relayout(box, change);
    });
  }
  var closed = [];
  function openAll() {
    closed = Array.prototype.filter.call(document.querySelectorAll("details.section.printed"),
      function (details) { return !details.open; });
    closed.forEach(function (details) { details.open = true; });
  }
  window.addEventListener("beforeprint", function () { openAll(); drawSeen(true); repaint("#40474e"); resize(true); });
  window.addEventListener("afterprint", function () {
    resize(false); repaint();
    closed.forEach(function (details) { details.open = false; });
  });
})();
