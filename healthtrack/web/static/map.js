"use strict";
// Tracing a chart: the picture stays in this browser; what is sent are the pixels of clicks.
document.addEventListener("DOMContentLoaded", () => {
  const by = (id) => document.getElementById(id);
  if (!by("tool")) return;
  by("tool").hidden = false;
  const canvas = by("canvas"), pen = canvas.getContext("2d"), sheet = by("sheet");
  const kinds = { surge: "surge line", choke: "choke line", speed_line: "speed line", efficiency: "efficiency contour" };
  const axisWords = {
    0: ["first point on the flow axis", "second point on the flow axis", "first point on the ratio axis", "second point on the ratio axis"],
    1: ["first point", "second point", "third point", "fourth point"],
  };
  let picture = null, scale = 1, axes = [], lines = [], curves = [], cross = null, asked = 0;
  const askew = () => Number(document.querySelector('input[name="askew"]:checked').value);

  function fields() {
    const kept = [...document.querySelectorAll("#axes input")].map((input) => input.value);
    by("axes").replaceChildren(...axisWords[askew()].map((words, i) => {
      const row = document.createElement("p");
      const said = document.createElement("span");
      said.textContent = words;
      row.append(said);
      const wanted = askew() ? ["flow", "ratio"] : [i < 2 ? "flow" : "ratio"];
      wanted.forEach((what) => {
        const label = document.createElement("label"), input = document.createElement("input");
        input.inputMode = "decimal"; input.size = 7; input.dataset.point = i; input.dataset.what = what; input.id = `axis-${i}-${what}`;
        input.addEventListener("change", told);
        label.append(what + " ", input);
        row.append(label, " ");
      });
      return row;
    }));
    document.querySelectorAll("#axes input").forEach((input, i) => { input.value = kept[i] || ""; });
  }
  document.querySelectorAll('input[name="askew"]').forEach((radio) => radio.addEventListener("change", () => { fields(); axes = []; show(); }));
  fields();

  by("picture").addEventListener("change", () => {
    const file = by("picture").files[0];
    if (!file) return;
    const image = new Image(), address = URL.createObjectURL(file);
    image.onload = () => {
      picture = image; axes = []; lines = []; curves = [];
      scale = Math.min(1, Math.max(0.2, sheet.clientWidth / image.naturalWidth));
      cross = [image.naturalWidth / 2, image.naturalHeight / 2];
      show();
    };
    image.onerror = () => { by("now").textContent = "This is no picture that the browser can show."; };
    image.src = address;
  });
  by("closer").addEventListener("click", () => { scale = Math.min(6, scale * 1.5); show(); });
  by("farther").addEventListener("click", () => { scale = Math.max(0.1, scale / 1.5); show(); });
  by("new").addEventListener("click", () => { lines.push(line()); show(); });
  by("undo").addEventListener("click", () => {
    const last = lines[lines.length - 1];
    if (last) { last.pixels.pop(); if (!last.pixels.length) lines.pop(); } else axes.pop();
    show(); told();
  });
  const line = () => ({ kind: by("kind").value, value: number(by("value").value), pixels: [] });
  function number(text) {
    const value = parseFloat(String(text).replace(",", "."));
    return Number.isFinite(value) ? value : null;
  }
  canvas.addEventListener("click", (e) => {
    const box = canvas.getBoundingClientRect();
    mark([(e.clientX - box.left) * canvas.width / box.width / scale, (e.clientY - box.top) * canvas.height / box.height / scale]);
  });
  sheet.addEventListener("keydown", (e) => {
    const moves = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] };
    if (!picture) return;
    if (e.key === "Enter") { e.preventDefault(); mark([...cross]); return; }
    if (!moves[e.key]) return;
    e.preventDefault();
    const far = e.shiftKey ? 10 : 1;
    cross = [cross[0] + far * moves[e.key][0], cross[1] + far * moves[e.key][1]];
    show();
  });
  function mark(point) {
    if (!picture) return;
    cross = point;
    if (axes.length < 4) axes.push(point);
    else {
      const wanted = line(), last = lines[lines.length - 1];
      if (!last || (last.pixels.length && (last.kind !== wanted.kind || last.value !== wanted.value))) lines.push(wanted);
      else if (!last.pixels.length) Object.assign(last, wanted, { pixels: last.pixels });
      lines[lines.length - 1].pixels.push(point);
    }
    show(); told();
  }
  function show() {
    if (!picture) return;
    canvas.width = Math.round(picture.naturalWidth * scale);
    canvas.height = Math.round(picture.naturalHeight * scale);
    pen.drawImage(picture, 0, 0, canvas.width, canvas.height);
    curves.forEach((curve) => path(curve.pixels, curve.kind === "efficiency" ? "#b06c00" : "#0a7f3f", 2));
    lines.forEach((one) => one.pixels.forEach((p) => ring(p, "#c2185b", 4)));
    axes.forEach((p) => ring(p, "#22577a", 6));
    if (cross) { pen.strokeStyle = "#1c2530"; pen.lineWidth = 1; pen.beginPath(); pen.moveTo(cross[0] * scale - 9, cross[1] * scale); pen.lineTo(cross[0] * scale + 9, cross[1] * scale); pen.moveTo(cross[0] * scale, cross[1] * scale - 9); pen.lineTo(cross[0] * scale, cross[1] * scale + 9); pen.stroke(); }
    by("now").textContent = axes.length < 4
      ? `Mark the ${axisWords[askew()][axes.length]}, and write its value above.`
      : `Trace the ${kinds[by("kind").value]}: ${lines.length ? lines[lines.length - 1].pixels.length : 0} points so far. Follow a line from one end to the other.`;
    by("lines").replaceChildren(...lines.map((one, i) => {
      const row = document.createElement("li"), drop = document.createElement("button");
      row.textContent = `${kinds[one.kind]}${one.value === null ? "" : " " + one.value}: ${one.pixels.length} points `;
      drop.type = "button"; drop.className = "quiet"; drop.textContent = "Take it out"; drop.setAttribute("aria-label", `Take out line ${i + 1}`);
      drop.addEventListener("click", () => { lines.splice(i, 1); show(); told(); });
      row.append(drop);
      return row;
    }));
  }
  function ring(p, colour, radius) {
    pen.strokeStyle = colour; pen.lineWidth = 2; pen.beginPath(); pen.arc(p[0] * scale, p[1] * scale, radius, 0, 7); pen.stroke();
  }
  function path(points, colour, width) {
    pen.strokeStyle = colour; pen.lineWidth = width; pen.beginPath();
    points.forEach((p, i) => (i ? pen.lineTo(p[0] * scale, p[1] * scale) : pen.moveTo(p[0] * scale, p[1] * scale)));
    pen.stroke();
  }
  function sent() {
    const values = [0, 1, 2, 3].map((i) => ["flow", "ratio"].map((what) => {
      const input = by(`axis-${i}-${what}`);
      return input ? number(input.value) : 0;
    }));
    if (axes.length < 4 || values.flat().includes(null)) return null;
    return {
      axes, values, askew: Boolean(askew()), lines: lines.filter((one) => one.pixels.length),
      flow_unit: by("flow_unit").value, speed_unit: by("speed_unit").value,
      reference_temperature_k: number(by("reference_temperature_k").value) || 0,
      reference_pressure_kpa: number(by("reference_pressure_kpa").value) || 0,
    };
  }
  async function post(address, body) {
    const answer = await fetch(address, { method: "POST", body: JSON.stringify(body), headers: { "content-type": "application/json", accept: "application/json", "x-token": healthtrack.token() } });
    return answer.headers.get("content-type").startsWith("application/json") ? answer.json() : { words: await answer.text() };
  }
  ["flow_unit", "speed_unit", "reference_temperature_k", "reference_pressure_kpa"].forEach((id) => by(id).addEventListener("change", told));
  async function told() {
    const body = sent(), mine = ++asked;
    if (!body) return;
    const answer = await post("/map/trace", body);
    if (mine !== asked) return;
    by("error").textContent = answer.words || "";
    const faults = answer.faults || [];
    by("faults").hidden = !faults.length;
    by("faults").replaceChildren(...faults.map((words) => { const row = document.createElement("li"); row.textContent = words; return row; }));
    curves = answer.curves || [];
    show();
  }
  const save = by("save");
  if (save) save.addEventListener("submit", async (e) => {
    e.preventDefault();
    const body = sent(), place = by("saved");
    place.hidden = false;
    if (!body) { place.textContent = "The axes are not fixed yet: four points, and their values."; return; }
    const answer = await post("/map", { ...body, name: by("name").value, source: by("source").value, file: by("file").value, vehicle: by("vehicle").value });
    place.textContent = answer.words;
  });
});
