// Unpacks what the page carries packed, puts it where it belongs, and draws the charts.
(async function () {
  "use strict";
  if (typeof DecompressionStream === "undefined") { return; }
  var digits = document.getElementById("digits").textContent.trim();
  var text = document.getElementById("packed").textContent.trim();
  var value = new Uint8Array(128);
  for (var d = 0; d < digits.length; d += 1) { value[digits.charCodeAt(d)] = d; }
  // Two digits of 91 hold 13 bits, the highest first.
  var bytes = new Uint8Array(Math.floor(text.length / 2 * 13 / 8));
  var bits = 0, held = 0, at = 0;
  for (var i = 0; i + 1 < text.length; i += 2) {
    held = (held << 13) | (value[text.charCodeAt(i)] * 91 + value[text.charCodeAt(i + 1)]);
    bits += 13;
    while (bits >= 8) { bits -= 8; bytes[at] = (held >>> bits) & 255; at += 1; }
    held &= (1 << bits) - 1;
  }
  var size = Number(document.getElementById("packed").dataset.size);
  var stream = new Blob([bytes.subarray(0, size)]).stream()
    .pipeThrough(new DecompressionStream("gzip"));
  var packed = JSON.parse(await new Response(stream).text());
  Object.keys(packed.charts).forEach(function (id) {
    document.getElementById(id).textContent = packed.charts[id];
  });
  packed.scripts.forEach(function (source) {
    var script = document.createElement("script");
    script.textContent = source;
    document.body.appendChild(script);
  });
})();
