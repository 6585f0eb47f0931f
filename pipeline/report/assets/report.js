"use strict";
(function () {
  var source = document.getElementById("spectra-data");
  var dialog = document.getElementById("large");
  if (!source || !dialog || typeof dialog.showModal !== "function") return;
  var box = document.getElementById("plot"), readout = document.getElementById("readout");
  var from = document.getElementById("from-hz"), to = document.getElementById("to-hz");
  var all = null, plot = null, at = 0, names = [];

  function token(name) {
    return getComputedStyle(document.documentElement).getPropertyValue(name).trim();
  }

  /* The baseline is always the same grey; repeats differ by dash as well as by colour. */
  function series(label, role, index) {
    var colours = ["--ink", "--open", "--over", "--within"], dashes = [[], [8, 4], [2, 3], [10, 3, 2, 3]];
    return {
      label: label, width: role === "baseline" ? 1 : 1.6,
      stroke: token(role === "baseline" ? "--baseline" : colours[index % 4]), dash: dashes[index % 4],
      points: { show: false }, spanGaps: true
    };
  }

  /* Frequencies and amplitudes of one packed curve. */
  function table(curve) {
    var place = 0;
    var hertz = all.axes[curve[0]].map(function (step) {
      place += step;
      return Number((place * all.step).toFixed(3));
    });
    return [hertz, curve[2].map(function (height) { return Number((curve[1] * height / 2000).toPrecision(3)); })];
  }

  /* Curves keep points at frequencies of their own: where one has none here, its nearest is told. */
  function nearest(values) {
    for (var away = 0; away < values.length; away++) {
      if (values[at - away] != null) return values[at - away];
      if (values[at + away] != null) return values[at + away];
    }
    return "no value";
  }

  function tell() {
    if (!plot) return;
    var parts = names.map(function (name, i) { return name + " " + nearest(plot.data[i + 1]) + " mg"; });
    readout.textContent = plot.data[0][at] + " Hz: " + parts.join("; ");
    plot.setCursor({ left: plot.valToPos(plot.data[0][at], "x"), top: 8 });
  }

  function draw(sides) {
    all = all || JSON.parse(source.textContent);
    var wanted = [];
    ["baseline", "candidate"].forEach(function (role) {
      sides[role].split(" ").forEach(function (key) {
        if (all.curves[key]) wanted.push([key, all.labels[key], role]);
      });
    });
    names = wanted.map(function (w) { return w[1]; });
    var count = { baseline: 0, candidate: 0 };
    var data = uPlot.join(wanted.map(function (w) { return table(all.curves[w[0]]); }));
    var axis = { stroke: token("--ink"), grid: { stroke: token("--hairline"), width: 1 } };
    plot = new uPlot({
      width: Math.max(280, box.clientWidth), height: Math.max(240, Math.min(420, innerHeight - 360)),
      cursor: { drag: { x: false, y: false } }, legend: { live: false }, scales: { x: { time: false } },
      axes: [Object.assign({ label: "Hz" }, axis), Object.assign({ label: "mg peak, rss" }, axis)],
      series: [{ label: "Hz" }].concat(wanted.map(function (w) { return series(w[1], w[2], count[w[2]]++); }))
    }, data, box);
    from.value = data[0][0];
    to.value = data[0][data[0].length - 1];
    at = data[1].reduce(function (best, value, i) { return value > (data[1][best] || 0) ? i : best; }, 0);
    tell();
    requestAnimationFrame(tell);  /* the cursor has its place only once the plot is laid out */
  }

  function clear() {
    if (plot) plot.destroy();
    plot = null;
    readout.textContent = "";
  }

  document.querySelectorAll("button.enlarge").forEach(function (button) {
    button.hidden = false;
    button.addEventListener("click", function () {
      document.getElementById("large-h").textContent = button.dataset.title;
      dialog.showModal();
      draw(button.dataset);
      box.focus();
    });
  });
  document.getElementById("close-large").addEventListener("click", function () { dialog.close(); });
  dialog.addEventListener("close", clear);
  dialog.querySelector("form").addEventListener("submit", function (event) {
    event.preventDefault();
    var low = Number(from.value), high = Number(to.value);
    if (plot && high > low) plot.setScale("x", { min: low, max: high });
    else readout.textContent = "The range must end above its start.";
  });
  box.addEventListener("keydown", function (event) {
    var last = plot ? plot.data[0].length - 1 : 0;
    var step = { ArrowLeft: -1, ArrowRight: 1, PageDown: -20, PageUp: 20, Home: -last, End: last }[event.key];
    if (step === undefined) return;
    event.preventDefault();
    at = Math.max(0, Math.min(last, at + step));
    tell();
  });
  window.addEventListener("beforeprint", function () {
    document.querySelectorAll("#verdicts details").forEach(function (item) { item.open = true; });
  });
})();
