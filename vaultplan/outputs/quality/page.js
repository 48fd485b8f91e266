// The head, the files that were loaded and what was found: tables and lists of plain text.
(function (vp) {
  "use strict";
  const { data } = vp;
  const byId = (id) => document.getElementById(id);
  const number = (value) => value.toLocaleString("en-US");

  // Texts of the database go onto the page through here only, as text.
  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined && text !== "") made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function add(parent, ...children) {
    parent.append(...children.filter(Boolean));
    return parent;
  }

  function row(cells, tag) {
    return add(element("tr"), ...cells.map((cell) => (cell instanceof Node ? cell : element(tag || "td", cell))));
  }

  function table(heads, rows) {
    const cells = heads.map((head) => (head instanceof Node ? head : element("th", head)));
    for (const cell of cells) cell.scope = "col";
    return add(element("table"), add(element("thead"), row(cells)), add(element("tbody"), ...rows));
  }

  function numeric(value, tag) {
    return element(tag || "td", typeof value === "number" ? number(value) : value, "number");
  }

  function plural(count, word) {
    return `${number(count)} ${word}${count === 1 ? "" : "s"}`;
  }

  function fillHead() {
    byId("name").textContent = `Data of ${data.head.name}`;
    const as = data.head.as_of ? `As of the last load, ${data.head.as_of}.` : "Nothing was loaded yet.";
    byId("as-of").textContent = data.head.counts ? `${as} ${data.head.counts}.` : as;
  }

  const PARTS = [["loaded", "as they stand"], ["repaired", "with a repair"], ["aside", "set aside"]];

  function bar(load) {
    const made = element("div", undefined, "bar");
    made.setAttribute("role", "img");
    made.setAttribute("aria-label", PARTS.map(([key, words]) => `${number(load[key])} ${words}`).join(", "));
    for (const [key] of PARTS) {
      if (!load[key]) continue;
      const piece = element("i", undefined, `is-${key}`);
      piece.style.flexGrow = load[key];
      made.append(piece);
    }
    return made;
  }

  function fillLoads() {
    const { shown, of } = data.loads;
    if (!shown.length) {
      byId("loads-table").append(element("p", "No file was loaded yet."));
      return;
    }
    const hasBlank = shown.some((load) => load.blank);
    const heads = PARTS.map(([key, words]) => add(numeric(undefined, "th"), element("span", undefined, `key is-${key}`), words));
    const sign = (text) => element("td", text, "sign");
    const rows = shown.map((load) => {
      const sum = load.loaded + load.repaired + load.aside;
      return row([
        element("td", load.file, "text"), load.table, element("td", load.at, "short"), numeric(load.rows_in), sign(sum === load.rows_in ? "=" : "\u2260"),
        numeric(load.loaded), sign("+"), numeric(load.repaired), sign("+"), numeric(load.aside),
        add(element("td"), load.rows_in ? bar(load) : undefined), hasBlank && numeric(load.blank),
      ].filter((cell) => cell !== false));
    });
    byId("loads-table").append(table(
      ["File", "Table", "Loaded", numeric("Rows in", "th"), element("th", "="), heads[0], element("th", "+"), heads[1], element("th", "+"), heads[2], "Parts", hasBlank && numeric("Blank rows passed over", "th")].filter(Boolean),
      rows,
    ));
    if (of > shown.length) byId("loads-table").append(element("p", `And ${plural(of - shown.length, "earlier load")}.`, "note"));
  }

  const COLUMNS = { file: "File", row: "Row", row_key: "Key", column: "Column", value: "Value", fault: "What is wrong", outcome: "Repair", remedy: "What to do" };

  function examples(rows, of) {
    if (!rows.length) return undefined;
    // What to do stands above the list already, unless it differs from row to row.
    const isSame = rows.every((each) => each.remedy === rows[0].remedy);
    const keys = Object.keys(COLUMNS).filter((key) => rows.some((each) => each[key]) && !(key === "remedy" && isSame));
    const body = rows.map((each) => row(keys.map((key) => (key === "row" ? numeric(each[key] === "0" ? "all" : each[key]) : element("td", each[key], "text")))));
    const box = add(element("div", undefined, "wide"), table(keys.map((key) => COLUMNS[key]), body));
    if (of > rows.length) box.append(element("p", `The first ${rows.length} of ${plural(of, "row")}.`, "note"));
    return box;
  }

  function rule(line, title, count, told) {
    const made = element("details", undefined, "rule");
    const summary = add(element("summary"), element("span", line.severity, `grave ${line.severity}`), title, element("span", count, "count"));
    const more = add(element("div", undefined, "more"), ...told.map((text) => element("p", text)), examples(line.examples, line.rows));
    return add(made, summary, more);
  }

  function fillFound() {
    for (const line of data.found) {
      const count = `${line.is_capped ? "at least " : ""}${plural(line.rows, "row")}, ${number(line.repaired)} repaired`;
      const told = [
        line.repair ? `The repair: ${line.repair}. It is asked for as ${line.rule}.` : "There is no repair for it.",
        ...line.remedies.map((remedy) => `What to do: ${remedy}.`),
      ];
      byId("found-list").append(rule(line, element("span", line.meaning), count, told));
    }
    if (!data.found.length) byId("found-list").append(element("p", "Nothing was found in the files."));
  }

  function fillNow() {
    for (const line of data.now) {
      const where = line.column ? `${line.table}, ${line.column}` : line.table;
      const title = add(element("span"), element("span", `${where}: `), element("strong", line.finding));
      const share = line.share === null ? "" : `, ${percent(line.share)} %`;
      byId("now-list").append(rule(line, title, line.rows ? plural(line.rows, "row") + share : "", [`The rule: ${line.meaning}.`, `What to do: ${line.remedy}.`]));
    }
    if (!data.now.length) byId("now-list").append(element("p", "Nothing in the tables breaks a rule."));
  }

  // Neither 0 nor 100 unless it is exactly that.
  function percent(share) {
    if (share <= 0 || share >= 1) return share <= 0 ? "0" : "100";
    return String(Math.min(99, Math.max(1, Math.round(share * 100))));
  }

  function ruleWords(names) {
    return names.split(";").map((name) => data.words[name] || name).join("; ");
  }

  Object.assign(vp, { ruleWords, byId, element, add, row, table, numeric, number, plural, percent });
  fillHead();
  fillLoads();
  fillFound();
  fillNow();
})(window.vaultplan);
