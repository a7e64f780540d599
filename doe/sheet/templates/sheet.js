"use strict";
(() => {
  const sheet = document.getElementById("sheet");
  const columns = JSON.parse(sheet.dataset.columns);
  const planned = JSON.parse(sheet.dataset.planned);
  const fields = [...sheet.querySelectorAll("[data-run]")];
  const said = document.getElementById("said");
  const TICKS = "verified_before_heat";
  const NUMBER = /^[+-]?([0-9]+[.,]?[0-9]*|[.,][0-9]+)([eE][+-]?[0-9]+)?$/;
  const TWO_READINGS = /^[+-]?[1-9][0-9]{0,2}([.,])[0-9]{3}$/;
  const NOT_MEASURED = ["", "-", "–", "—", "nd", "n.d.", "n.d", "n/d", "n. d.", "na", "n.a.", "n/a"];
  const TWO_MEANINGS = ["nd", "n.d.", "n.d", "n/d", "n. d.", "nd.", "n d"];
  const AT_RISK = /(^|[;\t\r\n])('*)(?=[ \u00a0]*[=+\-@\uff0b\uff0d\uff1d\uff20])/g;

  const isTick = field => field.dataset.tick !== undefined;
  const nameOf = field =>
    [sheet.dataset.key, field.dataset.run, field.dataset.column || "tick " + field.dataset.tick].join("/");
  const valueOf = field => isTick(field) ? (field.checked ? "yes" : "") : field.value;
  const put = (field, value) => {
    if (isTick(field)) field.checked = value === "yes"; else field.value = value;
  };

  const trimmed = text => text.replace(/^[\s\u200b-\u200f\u2060\ufeff]+|[\s\u200b-\u200f\u2060\ufeff]+$/g, "");
  const isNumber = field => field.dataset.kind === "number" || field.dataset.kind === "response";
  const bareOf = field => {
    let text = trimmed(field.value).replaceAll("\u2212", "-");
    if (field.dataset.kind === "response") text = text.replace(/^[<>≤≥]\s*/, "");
    const unit = JSON.parse(field.dataset.units).find(one => text.endsWith(one));
    return unit ? trimmed(text.slice(0, -unit.length)) : text;
  };
  const hasDecimalComma = field => {
    const bare = bareOf(field);
    return bare.includes(",") && NUMBER.test(bare) && !TWO_READINGS.test(bare);
  };
  const isDoubtful = bare => {
    const mark = TWO_READINGS.exec(bare)?.[1];
    return mark === "," || (mark === "." && fields.some(one => isNumber(one) && hasDecimalComma(one)));
  };
  const wrong = field => {
    const bare = bareOf(field);
    const written = trimmed(field.value).replaceAll("\u2212", "-").toLowerCase();
    if (field.dataset.kind === "response" && TWO_MEANINGS.includes(written))
      return "Not detected: write < and the limit, as <0.05. Not measured: leave it empty.";
    if (NOT_MEASURED.includes(written)) return "";
    if (isDoubtful(bare)) return "Thousands or decimals? Write " + bare.replace(",", ".") + "0 or " + bare.replace(/[.,]/, "") + ".";
    if (!NUMBER.test(bare)) return "Write a number" + (field.dataset.kind === "response" ? ", or <0.05 below a limit." : ".");
    return Number.isFinite(Number(bare.replace(",", "."))) ? "" : "Too large. Check the exponent.";
  };
  const check = field => {
    if (!isNumber(field)) return;
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

  const checkDoubtful = () => fields.filter(one => isNumber(one) && TWO_READINGS.test(bareOf(one))).forEach(check);

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
      checkDoubtful();
      keep(field);
    });
  }
  checkDoubtful();
  addEventListener("storage", event => {
    const field = fields.find(one => nameOf(one) === event.key);
    if (field && event.newValue !== null) { put(field, event.newValue); check(field); checkDoubtful(); }
  });
  addEventListener("beforeprint", () => {
    for (const area of sheet.querySelectorAll("textarea[data-run]")) area.rows = Math.max(3, area.value.split("\n").length, Math.ceil(area.value.length / 95));
  });
  document.getElementById("save").addEventListener("click", save);
  for (const part of sheet.querySelectorAll(".controls")) part.hidden = false;
  for (const part of sheet.querySelectorAll(".no-script")) part.hidden = true;
  sheet.dataset.ready = "yes";
})();
