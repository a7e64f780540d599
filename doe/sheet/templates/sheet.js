"use strict";
(() => {
  const sheet = document.getElementById("sheet");
  const columns = JSON.parse(sheet.dataset.columns);
  const planned = JSON.parse(sheet.dataset.planned);
  const fields = [...sheet.querySelectorAll("[data-run]")];
  const said = document.getElementById("said");
  const TICKS = "verified_before_heat";
  const NUMBER = /^[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?$/;
  const TWO_READINGS = /^[+-]?[1-9][0-9]{0,2},[0-9]{3}$/;
  const NOT_MEASURED = /^(|-|–|—|n\.? ?d\.?|n\/d|n\.?a\.?|n\/a)$/i;
  const AT_RISK = /(^|[;\t\r\n])('*)(?=[ \u00a0]*[=+\-@\uff0b\uff0d\uff1d\uff20])/g;

  const isTick = field => field.dataset.tick !== undefined;
  const nameOf = field =>
    [sheet.dataset.key, field.dataset.run, field.dataset.column || "tick " + field.dataset.tick].join("/");
  const valueOf = field => isTick(field) ? (field.checked ? "yes" : "") : field.value;
  const put = (field, value) => {
    if (isTick(field)) field.checked = value === "yes"; else field.value = value;
  };

  const wrong = field => {
    const kind = field.dataset.kind;
    let text = field.value.trim().replace("\u2212", "-");
    if (NOT_MEASURED.test(text)) return "";
    if (kind === "response") text = text.replace(/^[<>≤≥]\s*/, "").replace(/\s*%$/, "");
    if (TWO_READINGS.test(text)) return "Thousands or decimals? Write " + text.replace(",", ".") + "0 or " + text.replace(",", "") + ".";
    if (!NUMBER.test(text)) return "Write a number" + (kind === "response" ? ", or <0.05 below a limit." : ".");
    return "";
  };
  const check = field => {
    if (field.dataset.kind !== "number" && field.dataset.kind !== "response") return;
    const why = wrong(field);
    let line = field.parentElement.querySelector(".why");
    if (!line && why) {
      line = document.createElement("small");
      line.className = "why";
      field.after(line);
    }
    if (line) line.textContent = why;
    field.setAttribute("aria-invalid", why ? "true" : "false");
  };

  let kept = true;
  const keep = field => {
    try {
      localStorage.setItem(nameOf(field), valueOf(field));
      kept = localStorage.getItem(nameOf(field)) === valueOf(field);
    } catch { kept = false; }
    say(kept ? "Kept in this browser. Not saved as a file yet." : "This browser keeps nothing: save as a file before you close the page.");
  };
  const say = text => { said.textContent = text; };
  const restore = field => {
    try {
      const value = localStorage.getItem(nameOf(field));
      if (value !== null) put(field, value);
    } catch { kept = false; }
    check(field);
  };

  const shielded = text => NUMBER.test(text.trim()) ? text : text.replace(AT_RISK, "$1'$2");
  const quoted = cell => cell.trim() === cell && !/[,;"\r\n\t]/.test(cell) ? cell : '"' + cell.replaceAll('"', '""') + '"';
  const filled = () => {
    const lines = [[...columns, TICKS]];
    for (const cells of planned) {
      const own = fields.filter(field => field.dataset.run === cells.run);
      const found = new Map(own.filter(f => !isTick(f)).map(f => [f.dataset.column, shielded(f.value)]));
      const ticks = own.filter(isTick), done = ticks.filter(field => field.checked).length;
      const row = columns.map(column => cells[column] ?? found.get(column) ?? "");
      lines.push([...row, done ? done + " of " + ticks.length : ""]);
    }
    return lines.map(line => line.map(quoted).join(",") + "\n").join("");
  };
  const save = () => {
    const text = filled();
    document.getElementById("as-text").value = text;
    document.getElementById("text-shown").hidden = false;
    const link = document.createElement("a");
    link.href = URL.createObjectURL(new Blob([text], { type: "text/csv;charset=utf-8" }));
    link.download = sheet.dataset.file;
    document.body.append(link);
    link.click();
    link.remove();
    setTimeout(() => URL.revokeObjectURL(link.href), 60000);
    const doubtful = fields.filter(field => field.getAttribute("aria-invalid") === "true").length;
    say("Saved as " + sheet.dataset.file + "." + (doubtful ? " " + doubtful + " marked boxes will be refused: look at them." : ""));
  };

  for (const field of fields) {
    restore(field);
    field.addEventListener(isTick(field) || field.tagName === "SELECT" ? "change" : "input", () => {
      check(field);
      keep(field);
    });
  }
  addEventListener("storage", event => {
    const field = fields.find(one => nameOf(one) === event.key);
    if (field && event.newValue !== null) { put(field, event.newValue); check(field); }
  });
  addEventListener("beforeprint", () => {
    for (const area of sheet.querySelectorAll("textarea[data-run]")) area.rows = Math.max(3, area.value.split("\n").length, Math.ceil(area.value.length / 95));
  });
  document.getElementById("save").addEventListener("click", save);
  for (const part of sheet.querySelectorAll(".controls")) part.hidden = false;
  for (const part of sheet.querySelectorAll(".no-script")) part.hidden = true;
  sheet.dataset.ready = "yes";
})();
