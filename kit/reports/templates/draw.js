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
  boxes.forEach(draw);
  var dark = window.matchMedia("(prefers-color-scheme: dark)");
  if (dark.addEventListener) { dark.addEventListener("change", function () { repaint(); }); }
  window.addEventListener("beforeprint", function () { repaint("#40474e"); });
  window.addEventListener("afterprint", function () { repaint(); });
})();
