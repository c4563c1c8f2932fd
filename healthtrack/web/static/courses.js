"use strict";
// The courses of a vehicle: drag to zoom, point at a drive, click to go there.
document.addEventListener("DOMContentLoaded", async () => {
  const holder = document.getElementById("plots");
  if (!holder || !window.uPlot) return;
  const answer = await fetch(holder.dataset.from, { headers: { accept: "application/json" } });
  if (!answer.ok) return;
  const { courses } = await answer.json();
  const key = uPlot.sync("courses");
  const plots = courses.map((course) => draw(course, holder.dataset.drive, key)).filter(Boolean);
  let waiting = 0;
  window.addEventListener("resize", () => {
    clearTimeout(waiting);
    waiting = setTimeout(() => plots.forEach((p) => p.setSize({ width: p.root.parentElement.clientWidth, height: p.height })), 150);
  });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => location.reload());

  function draw(course, drives, sync) {
    const place = document.querySelector(`.plot[data-indicator="${CSS.escape(course.indicator)}"]`);
    if (!place) return null;
    const c = healthtrack.colour;
    const fan = course.fan;
    const data = uPlot.join([
      [course.x, course.value],
      [course.level.x, course.level.low, course.level.high, course.level.middle],
      [fan.map((p) => p.x), fan.map((p) => p.low), fan.map((p) => p.high), fan.map((p) => p.middle)],
    ].map(rising).filter((table) => table[0].length));
    while (data.length < 8) data.push(new Array(data[0].length).fill(null));
    const unit = course.unit ? " " + course.unit : "";
    const shown = (u, v) => (v === null || v === undefined ? "–" : healthtrack.number(v, 2) + unit);
    const isDate = course.axis.kind === "date";
    const at = (v) => (isDate ? new Date(v * 864e5).toISOString().slice(0, 10) : healthtrack.number(v, 0) + " " + course.axis.unit);
    const months = ["Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec"];
    const dated = (t) => { const d = new Date(t * 864e5); return `${course.axis.high - course.axis.low < 400 ? d.getUTCDate() + " " : ""}${months[d.getUTCMonth()]} ${d.getUTCFullYear()}`; };
    const hidden = { show: true, points: { show: false }, label: "", value: () => "" };
    const options = {
      width: place.clientWidth, height: window.innerWidth < 600 ? 220 : 260,
      cursor: { sync: { key: sync.key }, drag: { x: true, y: false }, focus: { prox: 24 } },
      legend: { show: true, live: true },
      scales: { x: { time: false, range: (u, low, high) => (u.zoomed ? [low, high] : [course.axis.low, course.axis.high]) }, y: { range: () => [course.low, course.high] } },
      axes: [
        { stroke: c("soft"), grid: { stroke: c("hair"), width: 1 }, ticks: { stroke: c("hair") }, font: "13px Gauge Sans, sans-serif", values: (u, ticks) => ticks.map((t) => (isDate ? dated(t) : healthtrack.number(t, 0) + " " + course.axis.unit)) , space: 90 },
        { stroke: c("soft"), grid: { stroke: c("hair"), width: 1 }, ticks: { stroke: c("hair") }, font: "13px Gauge Sans, sans-serif", size: 46, values: (u, ticks) => ticks.map((t) => healthtrack.written(String(Math.round(100 * t) / 100).replace("-", "−"))) },
      ],
      series: [
        { label: "at", value: (u, v) => (v === null ? "–" : at(v)) },
        { label: "drive", stroke: c("faint"), paths: () => null, points: { show: true, size: 5, fill: c("faint"), stroke: c("faint") }, value: shown },
        { ...hidden, stroke: "transparent", spanGaps: false }, { ...hidden, stroke: "transparent" },
        { label: "level", stroke: c("data"), width: 2.5, points: { show: false }, value: shown },
        { ...hidden, stroke: "transparent" }, { ...hidden, stroke: "transparent" },
        { label: "foreseen", stroke: c("data"), width: 1.5, dash: [5, 5], points: { show: false }, value: shown, spanGaps: true },
      ],
      bands: [
        { series: [3, 2], fill: c("band") },
        { series: [6, 5], fill: c("wash") },
      ],
      hooks: { setCursor: [(u) => place.classList.toggle("pointed", u.cursor.left >= 0)], draw: [overlay], setScale: [(u, name) => { if (name === "x") u.zoomed = true; }] },
    };
    options.series.forEach((s, i) => { if (i > 1) s.spanGaps = i > 4; });
    const plot = new uPlot(options, data, place);
    plot.zoomed = false;
    // what is hidden from the legend is the band's edges, which say nothing alone
    place.querySelectorAll(".u-legend .u-series").forEach((row, i) => { if ([2, 3, 5, 6].includes(i)) row.remove(); });
    let leaving = 0; // a double click shows all, even over a drive
    const all = () => centre((course.axis.low + course.axis.high) / 2, course.axis.high - course.axis.low);
    plot.over.addEventListener("dblclick", () => { clearTimeout(leaving); all(); });
    const go = (found) => { location.href = drives + encodeURIComponent(course.drive[found]); };
    plot.over.addEventListener("click", () => {
      const found = nearest(plot);
      if (found !== null && plot.select.width < 3) leaving = setTimeout(go, 300, found);
    });
    const facts = document.createElement("p");
    facts.className = "aside";
    if (course === courses[0] && course.events.length) facts.textContent = `Dotted: ${course.events.map((e) => e.words).join("; ")}.`;
    place.after(facts);
    byKeyboard();
    return plot;

    // Left and right go from drive to drive, Enter to the drive's page, + and - look closer and
    // farther, Escape shows all.
    function byKeyboard() {
      const order = course.x.map((x, i) => i).filter((i) => course.value[i] !== null && course.x[i] !== null).sort((a, b) => course.x[a] - course.x[b]);
      const told = document.createElement("p");
      let here = order.length;
      told.className = "told";
      told.setAttribute("role", "status");
      place.after(told);
      place.tabIndex = 0;
      place.setAttribute("role", "group");
      place.setAttribute("aria-label", `${course.label}, drive by drive: arrow keys choose a drive, Enter opens it, plus and minus look closer and farther, Escape shows all`);
      place.addEventListener("keydown", (e) => {
        const step = { ArrowLeft: here - 1, ArrowRight: here + 1, Home: 0, End: order.length - 1 }[e.key];
        if (step !== undefined && order.length) {
          here = Math.min(order.length - 1, Math.max(0, step));
          const i = order[here], scale = plot.scales.x;
          if (course.x[i] < scale.min || course.x[i] > scale.max) centre(course.x[i], scale.max - scale.min);
          plot.setCursor({ left: plot.valToPos(course.x[i], "x"), top: plot.valToPos(course.value[i], "y") });
          told.textContent = `Drive on ${course.day[i]}: ${healthtrack.number(course.value[i], 2)}${unit}.`;
        } else if (e.key === "Enter" && here < order.length) go(order[here]);
        else if (e.key === "+" || e.key === "-") {
          const scale = plot.scales.x, middle = here < order.length ? course.x[order[here]] : (scale.min + scale.max) / 2;
          centre(middle, (scale.max - scale.min) * (e.key === "+" ? 0.5 : 2));
        } else if (e.key === "Escape") all();
        else return;
        e.preventDefault();
      });
    }
    function centre(middle, width) {
      const whole = course.axis.high - course.axis.low, kept = Math.min(width, whole);
      const low = Math.min(Math.max(middle - kept / 2, course.axis.low), course.axis.high - kept);
      plot.setScale("x", { min: low, max: low + kept });
    }

    function nearest(u) {
      if (u.cursor.left < 0) return null;
      let best = null, least = 14;
      course.x.forEach((x, i) => {
        if (course.value[i] === null) return;
        const away = Math.hypot(u.valToPos(x, "x") - u.cursor.left, u.valToPos(course.value[i], "y") - u.cursor.top);
        if (away < least) { least = away; best = i; }
      });
      return best;
    }
    function overlay(u) {
      const pen = u.ctx, box = u.bbox, px = window.devicePixelRatio || 1;
      pen.save();
      pen.beginPath(); pen.rect(box.left, box.top, box.width, box.height); pen.clip();
      line(0, c("soft"), []);
      course.limits.forEach((limit) => line(limit, c("ink"), [6 * px, 4 * px]));
      pen.lineWidth = px; pen.strokeStyle = c("soft"); pen.setLineDash([2 * px, 3 * px]);
      course.events.forEach((event) => {
        const x = u.valToPos(event.x, "x", true);
        pen.beginPath(); pen.moveTo(x, box.top); pen.lineTo(x, box.top + box.height); pen.stroke();
      });
      pen.setLineDash([]); pen.fillStyle = c("band"); pen.globalAlpha = .8;
      course.learned.forEach(([from, to]) => {
        const left = u.valToPos(from, "x", true), right = u.valToPos(to, "x", true);
        pen.fillRect(left, box.top + box.height - 5 * px, Math.max(right - left, 2), 5 * px);
      });
      pen.restore();
      function line(value, colour, dash) {
        const y = u.valToPos(value, "y", true);
        pen.strokeStyle = colour; pen.lineWidth = px; pen.setLineDash(dash);
        pen.beginPath(); pen.moveTo(box.left, y); pen.lineTo(box.left + box.width, y); pen.stroke();
      }
    }
  }
  // uPlot wants rising places; where drives share one, the later moves by a hair
  function rising(table) {
    const order = table[0].map((x, i) => i).filter((i) => table[0][i] !== null).sort((a, b) => table[0][a] - table[0][b] || a - b);
    const sorted = table.map((column) => order.map((i) => column[i]));
    for (let i = 1; i < sorted[0].length; i++) if (sorted[0][i] <= sorted[0][i - 1]) sorted[0][i] = sorted[0][i - 1] + 1e-6 * Math.max(1, Math.abs(sorted[0][i - 1]));
    return sorted;
  }
});
