// How full and how plausible each field is: a table of fields and districts, darker where worse.
(function (vp) {
  "use strict";
  const { data, look, byId, element, add, row, table, number, plural, percent } = vp;
  // A shade begins above the share that is lacking.
  const LIMITS = [0, 0.01, 0.05, 0.2, 0.5];
  const measure = () => document.querySelector("input[name=measure]:checked").value;

  function shade(lacking) {
    return LIMITS.filter((limit) => lacking > limit).length;
  }

  function painted(node, place) {
    node.style.background = look.sequential[place];
    node.style.color = place >= 3 ? "#ffffff" : look.outline;
    return node;
  }

  function cell([rows, filled, odd], column, isComplete) {
    const of = isComplete ? rows : filled;
    if (!of) return element("td", "\u2013", "may");
    const good = isComplete ? filled : filled - odd;
    const made = element("td", percent(good / of), isComplete && column.fine ? "may" : "");
    made.title = isComplete ? `${number(filled)} of ${plural(rows, "row")} filled in` : `${number(odd)} of ${plural(filled, "value")} implausible`;
    return isComplete && column.fine ? made : painted(made, shade(1 - good / of));
  }

  function named(column, isComplete) {
    const made = element("th", column.name);
    made.scope = "row";
    made.title = column.meaning;
    if (column.must) made.append(element("span", " (must)", "note"));
    if (column.fine && isComplete) made.append(element("span", " (may be blank)", "note"));
    return made;
  }

  function show() {
    const own = data.fields[Number(byId("table").value)];
    const isComplete = measure() === "complete";
    byId("fields-table").replaceChildren();
    byId("fields-note").textContent = "";
    if (!own) return;
    const all = own.columns[0].cells[0][0];
    const words = isComplete ? "Share of rows with a value" : "Share of values that break no rule";
    const rest = own.left_out ? ` The ${plural(own.left_out, "smallest district")} are only counted in all.` : "";
    byId("fields-note").textContent = `${own.table}, ${plural(all, "row")}: ${words} in percent; 100 and 0 mean all and none.${rest}`;
    const heads = own.districts.map((district) => (district === "(all)" ? "all" : district || "no district"));
    const rows = own.columns.map((column) => row([named(column, isComplete), ...column.cells.map((each) => cell(each, column, isComplete))]));
    byId("fields-table").append(table(["Field", ...heads], rows));
  }

  function fillScale() {
    const words = ["nothing lacks", "up to 1 %", "to 5 %", "to 20 %", "to 50 %", "more"];
    byId("scale").append(element("span", "Lacking or implausible:"));
    words.forEach((text, place) => {
      const key = element("span", undefined, "key");
      key.style.background = look.sequential[place];
      byId("scale").append(add(element("span"), key, text));
    });
  }

  data.fields.forEach((own, place) => {
    const option = element("option", own.table);
    option.value = place;
    byId("table").append(option);
  });
  fillScale();
  byId("table").addEventListener("change", show);
  byId("measure").addEventListener("change", show);
  show();
})(window.vaultplan);
