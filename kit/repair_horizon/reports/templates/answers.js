// The answer back: what the partner taps is saved as a small file, or copied as text. No network.
(function () {
  "use strict";
  var box = document.getElementById("answer-back");
  if (!box) { return; }
  var asked = JSON.parse(document.getElementById("asked").textContent);
  var words = [["", "–"], ["agree", "agree"], ["other_bid", "another bid"], ["no", "no"],
    ["won", "won"], ["lost", "lost"]];
  var list = document.createElement("ol"), rows = [];
  function make(tag, name, label) {
    var made = document.createElement(tag);
    made.className = name; made.setAttribute("aria-label", label);
    return made;
  }
  asked.forEach(function (item) {
    var line = document.createElement("li"), name = document.createElement("bdi");
    name.textContent = item.name;
    var answer = make("select", "answer", "Answer for " + item.name);
    words.forEach(function (pair) {
      var option = document.createElement("option");
      option.value = pair[0]; option.textContent = pair[1]; answer.appendChild(option);
    });
    var amount = make("input", "amount", "Amount for " + item.name);
    amount.type = "number"; amount.min = "0"; amount.step = "0.01"; amount.placeholder = "amount";
    var note = make("input", "words", "Note for " + item.name);
    note.maxLength = 200; note.placeholder = "note";
    [name, answer, amount, note].forEach(function (e) { line.appendChild(e); });
    list.appendChild(line);
    rows.push({ item: item, answer: answer, amount: amount, note: note });
  });
  function plain(text) { return text.replace(/[\u0000-\u001f\u007f]/g, " ").trim(); }
  function given() {
    return rows.filter(function (r) { return r.answer.value; }).map(function (r) {
      var i = r.item, about = i.listing_id || i.model_id + "/" + i.listed_fault;
      var id = [i.month, about, r.answer.value].concat(r.amount.value ? [r.amount.value] : []);
      return [id.join("/"), i.month, i.model_id, i.listed_fault, i.listing_id, r.answer.value,
        r.amount.value, plain(r.note.value)];
    });
  }
  function quoted(field) { return "\"" + String(field).replace(/"/g, "\"\"") + "\""; }
  function csv() {
    var head = "answer_id,month,model_id,listed_fault,listing_id,answer,amount,note";
    return [head].concat(given().map(function (r) { return r.map(quoted).join(","); }))
      .join("\r\n") + "\r\n";
  }
  function text() {
    return given().map(function (r) {
      return r.slice(1).map(function (f) { return String(f).replace(/\|/g, "/"); }).join(" | ");
    }).join("\n");
  }
  var save = document.createElement("button"), copy = document.createElement("button");
  var said = document.createElement("span"), shown = document.createElement("textarea");
  save.type = copy.type = "button";
  save.textContent = "Save answers.csv"; copy.textContent = "Copy as text";
  said.setAttribute("role", "status");
  shown.readOnly = true; shown.hidden = true; shown.rows = 6;
  shown.setAttribute("aria-label", "Answers as text");
  save.addEventListener("click", function () {
    var link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([csv()], { type: "text/csv" }));
    link.download = "answers-" + (asked.length ? asked[0].month : "") + ".csv";
    link.click();
    said.textContent = given().length + " answers saved: send the file back.";
  });
  copy.addEventListener("click", function () {
    shown.hidden = false; shown.value = text(); shown.focus(); shown.select();
    said.textContent = given().length + " answers as text: paste them into a reply.";
    if (navigator.clipboard) { navigator.clipboard.writeText(shown.value).catch(function () {}); }
  });
  var plainLines = box.querySelector(".lines");
  if (plainLines) { plainLines.remove(); }
  [list, save, copy, said, shown].forEach(function (e) { box.appendChild(e); });
})();
