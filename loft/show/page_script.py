"""What view.html does in the browser. It draws numbers that the page carries and supplies none."""

from __future__ import annotations

STYLE = """
body { display: grid; grid-template: auto 1fr auto / 284px 1fr 350px; height: 100vh;
  overflow: hidden; }
header { grid-column: 1 / 4; padding: 16px 24px 10px; display: flex; gap: 32px;
  align-items: baseline; justify-content: space-between; }
header p { max-width: 62ch; font-size: 13px; }
#controls { padding: 6px 8px 12px 24px; overflow-y: auto; font-size: 14px; }
#controls h2, #section h2 { font-size: 14px; margin: 16px 0 6px; }
#controls label { display: flex; gap: 9px; align-items: center; padding: 1px 0; cursor: pointer; }
#controls input { accent-color: var(--blue); margin: 0; }
#controls svg { flex: none; }
#controls button { font: inherit; font-size: 13px; color: var(--ink); background: none;
  border: 1px solid var(--rule); border-radius: 2px; padding: 3px 9px; margin: 0 4px 5px 0;
  cursor: pointer; }
#controls button:hover { border-color: var(--ink); }
.count { margin-left: auto; color: var(--quiet); padding-right: 14px; }
#loft { min-width: 0; min-height: 0; position: relative; }
#told { position: fixed; z-index: 2; pointer-events: none; background: #fff; font-size: 13px;
  border: 1px solid var(--ink); padding: 6px 10px; line-height: 1.4; max-width: 300px; }
#poster { position: absolute; inset: 6%; width: 88%; height: 88%; }
#none { display: none; padding: 60px 40px; max-width: 60ch; }
#section { padding: 6px 24px 12px 8px; display: flex; flex-direction: column; min-height: 0; }
#section svg { width: 100%; flex: 1 1 0; min-height: 0; }
#section input { width: 100%; accent-color: var(--blue); margin: 8px 0 2px; }
#section p { font-size: 13px; }
.bar { display: block; font-size: 13px; margin: 0 0 8px; }
#controls p { font-size: 13px; margin: 0 0 6px; }
.none { display: inline-block; width: 26px; height: 14px; margin-right: 9px;
  vertical-align: -2px; }
footer { grid-column: 1 / 4; padding: 8px 24px 12px; font-size: 12.5px; color: var(--quiet);
  border-top: 1px solid var(--rule); }
@media print { body { height: 190mm; } #controls button, #section input { display: none; } }
"""

SCRIPT = r"""
(function () {
"use strict";
var data = JSON.parse(document.getElementById("data").textContent);
function floats(packed) {
  var text = atob(packed), bytes = new Uint8Array(text.length);
  for (var k = 0; k < text.length; k++) bytes[k] = text.charCodeAt(k);
  return new Float32Array(bytes.buffer);
}
function number(value, places) {
  return isFinite(value) ? value.toFixed(places).replace(/^-(?=0(\.0*)?$)/, "").replace("-", "−")
    : "unknown";
}
function signed(value, places) {
  var text = number(value, places);
  return text === "unknown" || text.charAt(0) === "−" || !/[1-9]/.test(text) ? text : "+" + text;
}
var net = data.net, rows = net.rows, columns = net.columns;
["station", "bl", "wl", "mean", "away", "sd", "along", "across", "up"].forEach(function (name) {
  net[name] = floats(net[name]);
});
function grid(values, keep) {
  var out = [];
  for (var r = 0; r < rows; r++) {
    var row = new Array(columns);
    for (var c = 0; c < columns; c++) {
      var k = r * columns + c;
      row[c] = !keep || keep(r, c) ? values[k] : null;
    }
    out.push(row);
  }
  return out;
}
function known(r, c) { return net.away[r * columns + c] <= data.near; }
function unknown(r, c) {
  for (var a = Math.max(r - 1, 0); a <= Math.min(r + 1, rows - 1); a++)
    for (var b = c - 1; b <= c + 1; b++)
      if (!known(a, (b + columns) % columns)) return true;
  return false;
}
function words(r, c) {
  var k = r * columns + c, mean = net.mean[k];
  return "<b>skin</b><br>station " + number(net.station[k], 1) + "<br>buttock line "
    + signed(net.bl[k], 1) + "<br>waterline " + signed(net.wl[k], 1) + "<br>"
    + (known(r, c) ? "mean deviation of the readings near " + signed(mean, 2) + " mm"
      : "no reading near") + "<br>one standard deviation " + number(net.sd[k], 2) + " mm";
}
var light = { ambient: 0.62, diffuse: 0.45, specular: 0.02, roughness: 0.9, fresnel: 0 };
var x = grid(net.station), y = grid(net.bl);
function off(values, name) {  // a little outside, so that it hides what lies under it
  return values.map(function (value, k) { return value + 2.5 * net[name][k]; });
}
function skin(across, deep, high, extra) {
  return Object.assign({ type: "surface", x: across, y: deep, z: high,
    hoverinfo: "none",
    lightposition: { x: -2000, y: 4000, z: 6000 }, showscale: false, connectgaps: false,
    contours: { x: { highlight: false }, y: { highlight: false }, z: { highlight: false } } },
    extra);
}
var traces = [
  skin(x, y, grid(net.wl), { surfacecolor: grid(net.mean), colorscale: data.scale,
    cmin: -5 * data.step, cmax: 5 * data.step, lighting: light }),
  skin(grid(off(net.station, "along")), grid(off(net.bl, "across")),
    grid(off(net.wl, "up"), unknown), { surfacecolor: grid(net.wl),
    colorscale: [[0, data.unknown], [1, data.unknown]],
    lighting: { ambient: 0.98, diffuse: 0, specular: 0, fresnel: 0 } })
].concat(data.traces);
var axis = { color: "#5d666f", gridcolor: "#dfe2e5", zerolinecolor: "#dfe2e5",
  showspikes: false, showbackground: false, tickfont: { size: 12 }, nticks: 6,
  exponentformat: "none", separatethousands: false };
function named(title) {
  return Object.assign({ title: { text: title, font: { size: 13 } } }, axis);
}
var views = {
  "starboard bow": { eye: { x: -1.1, y: 1.85, z: 0.78 } },
  "port bow": { eye: { x: -1.1, y: -1.85, z: 0.78 } },
  "starboard quarter": { eye: { x: 1.1, y: 1.85, z: 0.78 } },
  "from above": { eye: { x: 0, y: 0.01, z: 2.4 }, up: { x: 0, y: 1, z: 0 } },
  "from starboard": { eye: { x: 0, y: 2.4, z: 0 } },
  "looking forward": { eye: { x: 2.4, y: 0, z: 0 } }
};
// Stand back until the whole length is seen, whatever the shape of body and pane.
var place = document.getElementById("loft"), span = data.span;
var back = span[0] / Math.cbrt(span[0] * span[1] * span[2]) / 2.4
  * 1.06 * Math.max(1, 1.5 * place.clientHeight / Math.max(place.clientWidth, 1));
Object.keys(views).forEach(function (name) {
  ["x", "y", "z"].forEach(function (axis) { views[name].eye[axis] *= back; });
});
var layout = {
  margin: { l: 0, r: 0, t: 0, b: 0 }, showlegend: false, paper_bgcolor: "#ffffff",
  font: { family: "Liberation Sans, Arial, sans-serif", color: "#14181d" }, uirevision: "same",
  scene: { aspectmode: "data", camera: Object.assign({ up: { x: 0, y: 0, z: 1 } },
    views["starboard bow"]), xaxis: named("station, mm aft"),
    yaxis: named("buttock line, mm"), zaxis: named("waterline, mm up") }
};
// The words are looked up by the place that was hit, so they cannot belong to another point.
var told = document.getElementById("told"), mouse = [0, 0];
place.addEventListener("mousemove", function (event) { mouse = [event.clientX, event.clientY]; });
function nearest(at) {
  var best = 0, least = Infinity;
  for (var k = 0; k < net.bl.length; k++) {
    var gap = Math.pow(net.station[k] - at.x, 2) + Math.pow(net.bl[k] - at.y, 2)
      + Math.pow(net.wl[k] - at.z, 2);
    if (gap < least) { least = gap; best = k; }
  }
  return words(Math.floor(best / columns), best % columns);
}
function tell(event) {
  var at = event.points[0], trace = data.traces[at.curveNumber - 2];
  told.innerHTML = !trace ? nearest(at) : trace.whole ? trace.text[at.pointNumber]
    : "<b>" + trace.text[at.pointNumber] + "</b><br>station " + number(at.x, 1)
      + "<br>buttock line " + signed(at.y, 1) + "<br>waterline " + signed(at.z, 1);
  told.hidden = false;
  var right = mouse[0] + 18 + told.offsetWidth > window.innerWidth;
  told.style.left = (right ? mouse[0] - 18 - told.offsetWidth : mouse[0] + 18) + "px";
  told.style.top = Math.max(8, mouse[1] - told.offsetHeight / 2) + "px";
}
function webgl() {
  try { var canvas = document.createElement("canvas");
    return !!(canvas.getContext("webgl2") || canvas.getContext("webgl")); }
  catch (problem) { return false; }
}
function draw() {
  Plotly.newPlot(place, traces, layout, { displayModeBar: false, responsive: true,
    plotlyServerURL: "" }).then(function () {
      place.on("plotly_hover", tell);
      place.on("plotly_unhover", function () { told.hidden = true; });
      document.getElementById("poster").remove();
      document.body.dataset.ready = "yes";
    });
}
if (webgl()) {
  requestAnimationFrame(function () { setTimeout(draw, 0); });  // once the poster is seen
} else {
  document.getElementById("none").style.display = "block";
  document.body.dataset.ready = "no 3-D";
}
document.querySelectorAll("#controls input").forEach(function (box) {
  box.addEventListener("change", function () {
    if (webgl()) Plotly.restyle(place, { visible: box.checked },
      box.dataset.traces.split(",").map(Number));
  });
});
document.querySelectorAll("#controls button").forEach(function (button) {
  button.addEventListener("click", function () {
    Plotly.relayout(place, { "scene.camera": Object.assign({ up: { x: 0, y: 0, z: 1 },
      center: { x: 0, y: 0, z: 0 } }, views[button.textContent]) });
  });
});
var slider = document.getElementById("cut"), drawing = document.getElementById("drawing");
var size = Number(drawing.getAttribute("viewBox").split(" ")[3]);
data.lines.forEach(function (line) { line.at = floats(line.at); });
function make(name, given) {
  var part = document.createElementNS("http://www.w3.org/2000/svg", name);
  Object.keys(given).forEach(function (key) { part.setAttribute(key, given[key]); });
  return part;
}
function flat(k) { return 1 / Math.hypot(net.across[k], net.up[k]); }
function outline(row, side) {
  var path = "";
  for (var c = 0; c < columns; c++) {
    var k = row * columns + c, d = side * 1.96 * net.sd[k] * data.times * flat(k);
    path += (c ? "L" : "M") + (net.bl[k] + d * net.across[k]).toFixed(1) + " "
      + (-(net.wl[k] + d * net.up[k])).toFixed(1);
  }
  return path + "Z";
}
function cut(row) {
  var station = net.station[row * columns], low = Infinity, high = 0;
  for (var c = 0; c < columns; c++) {
    var band = 1.96 * net.sd[row * columns + c];
    low = Math.min(low, band); high = Math.max(high, band);
  }
  document.getElementById("at").textContent = "Section at station " + number(station, 1);
  var near = data.frames.reduce(function (best, frame) {
    return Math.abs(frame[1] - station) < Math.abs(best[1] - station) ? frame : best; });
  document.getElementById("near").textContent = "nearest frame " + near[0]
    + (near[2] ? ", missing, " : ", ") + signed(station - near[1], 1) + " mm from it; 95 % band ±"
    + number(low, 1) + " to ±" + number(high, 1) + " mm, drawn " + data.times
    + " times as wide; looking forward, starboard to the right";
  drawing.querySelector(".band").setAttribute("d", outline(row, 1) + outline(row, -1));
  drawing.querySelector(".edge").setAttribute("d", outline(row, 0));
  drawing.querySelector(".lines").replaceChildren.apply(drawing.querySelector(".lines"),
    data.lines.filter(function (line) { return isFinite(line.at[4 * row]); }).flatMap(
      function (line) {
        var at = line.at.subarray(4 * row, 4 * row + 4);
        var spot = make("circle", { cx: at[0], cy: -at[1], r: size * 0.007, fill: "#2f5d8c" });
        var name = make("text", { x: at[2], y: -at[3] + size * 0.011, fill: "#2f5d8c",
          "font-size": size * 0.028, "text-anchor": Math.abs(at[2] - at[0]) < size * 0.018
            ? "middle" : at[2] > at[0] ? "start" : "end" });
        name.textContent = line.name;
        return [spot, name];
      }));
  if (webgl() && document.body.dataset.ready === "yes") {
    var from = row * columns, to = from + columns;
    Plotly.restyle(place, { x: [Array.from(net.station.subarray(from, to))],
      y: [Array.from(net.bl.subarray(from, to))], z: [Array.from(net.wl.subarray(from, to))] },
      [data.cut]);
  }
}
slider.addEventListener("input", function () { cut(Number(slider.value)); });
cut(Number(slider.value));
})();
"""
