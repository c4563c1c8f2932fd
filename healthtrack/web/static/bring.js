"use strict";
// Files one by one, two at a time, each with its own answer; nothing is held in memory.
document.addEventListener("DOMContentLoaded", () => {
  const form = document.getElementById("bring");
  if (!form) return;
  const drop = document.getElementById("drop"), sending = document.getElementById("sending");
  const refused = document.getElementById("refused"), bar = document.getElementById("sent");
  const inputs = [...form.querySelectorAll('input[type="file"]')];
  document.getElementById("folder").hidden = false;
  inputs.forEach((input) => { input.required = false; });
  for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (e) => { e.preventDefault(); drop.classList.add("over"); });
  for (const name of ["dragleave", "drop"]) drop.addEventListener(name, () => drop.classList.remove("over"));
  drop.addEventListener("drop", async (e) => {
    e.preventDefault();
    const entries = [...e.dataTransfer.items].map((item) => item.webkitGetAsEntry && item.webkitGetAsEntry()).filter(Boolean);
    bring(entries.length ? (await Promise.all(entries.map(files))).flat() : [...e.dataTransfer.files]);
  });
  form.addEventListener("submit", (e) => { e.preventDefault(); bring(inputs.flatMap((input) => [...input.files])); });

  async function files(entry) {
    if (entry.isFile) return [await new Promise((done, failed) => entry.file(done, failed))];
    const reader = entry.createReader(), found = [];
    for (;;) {
      const some = await new Promise((done, failed) => reader.readEntries(done, failed));
      if (!some.length) break;
      found.push(...(await Promise.all(some.map(files))).flat());
    }
    return found;
  }
  async function bring(list) {
    const left = list.filter((file) => !file.name.startsWith("."));
    const all = left.length, batch = [...crypto.getRandomValues(new Uint8Array(8))].map((b) => b.toString(16).padStart(2, "0")).join("");
    if (!all) { sending.textContent = "Choose files first."; return; }
    let done = 0;
    refused.hidden = true; refused.replaceChildren(); bar.hidden = false; bar.value = 0;
    const button = form.querySelector("button");
    button.disabled = true;
    const told = () => { sending.textContent = `${done} of ${all} sent.`; bar.value = done / all; };
    told();
    const worker = async () => {
      for (let file = left.shift(); file; file = left.shift()) {
        await send(file, batch);
        done += 1;
        told();
      }
    };
    await Promise.all([worker(), worker()]);
    button.disabled = false;
    inputs.forEach((input) => { input.value = ""; });
    htmx.ajax("GET", `/logs/progress/${batch}`, { target: "#rows", swap: "innerHTML" });
  }
  async function send(file, batch) {
    const body = new FormData();
    body.append("vehicle", form.elements.vehicle.value);
    body.append("batch", batch);
    body.append("files", file, file.name);
    try {
      const answer = await fetch("/logs", { method: "POST", body, headers: { "x-token": healthtrack.token(), accept: "application/json" } });
      const told = answer.headers.get("content-type").startsWith("application/json") ? await answer.json() : { words: await answer.text() };
      if (!answer.ok) refuse(file.name, told.words);
    } catch (error) {
      refuse(file.name, "the connection broke off; bring it again");
    }
  }
  function refuse(name, words) {
    const row = document.createElement("li");
    row.textContent = `${name}: ${words}`;
    refused.append(row);
    refused.hidden = false;
  }
});
