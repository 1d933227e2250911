// Search, filter and sorting for tables of class "find"; without a script they stand as they are.
(function () {
  "use strict";
  function cells(row) { return Array.prototype.slice.call(row.cells); }
  function figure(text) {
    var plain = text.replace(/\u2212/g, "-").replace(/[,\u00a0\s%+]/g, "");
    var value = parseFloat(plain);
    return isNaN(value) ? null : value;
  }
  function sort(table, at, down) {
    var body = table.tBodies[0], rows = Array.prototype.slice.call(body.rows);
    rows.sort(function (a, b) {
      var x = a.cells[at].textContent, y = b.cells[at].textContent, u = figure(x), v = figure(y);
      var way = u !== null && v !== null ? u - v :
        u !== null ? -1 : v !== null ? 1 : x.localeCompare(y);
      return down ? -way : way;
    });
    rows.forEach(function (row) { body.appendChild(row); });
  }
  function prepare(table) {
    var bar = document.createElement("p"), field = document.createElement("input");
    var choice = document.createElement("select"), count = document.createElement("span");
    bar.className = "finding";
    field.type = "search"; field.placeholder = "Search model, fault, reason";
    field.setAttribute("aria-label", "Search the table");
    choice.setAttribute("aria-label", "Show one verdict");
    var rows = Array.prototype.slice.call(table.tBodies[0].rows), kinds = {};
    rows.forEach(function (row) { kinds[row.cells[1].textContent] = true; });
    ["every verdict"].concat(Object.keys(kinds)).forEach(function (name, i) {
      var option = document.createElement("option");
      option.value = i ? name : ""; option.textContent = name; choice.appendChild(option);
    });
    function show() {
      var words = field.value.toLowerCase().split(/\s+/), left = 0;
      rows.forEach(function (row) {
        var text = row.textContent.toLowerCase();
        var on = words.every(function (w) { return text.indexOf(w) >= 0; }) &&
          (!choice.value || row.cells[1].textContent === choice.value);
        row.hidden = !on; left += on ? 1 : 0;
      });
      count.textContent = left + " of " + rows.length;
    }
    field.addEventListener("input", show); choice.addEventListener("change", show);
    [field, choice, count].forEach(function (e) { bar.appendChild(e); });
    table.parentNode.parentNode.insertBefore(bar, table.parentNode);
    show();
    cells(table.tHead.rows[0]).forEach(function (head, at) {
      var button = document.createElement("button");
      button.type = "button"; button.textContent = head.textContent;
      head.textContent = ""; head.appendChild(button);
      button.addEventListener("click", function () {
        var down = head.getAttribute("aria-sort") !== "descending";
        cells(table.tHead.rows[0]).forEach(function (h) { h.removeAttribute("aria-sort"); });
        head.setAttribute("aria-sort", down ? "descending" : "ascending");
        sort(table, at, down);
      });
    });
  }
  Array.prototype.forEach.call(document.querySelectorAll("table.find"), prepare);
})();
