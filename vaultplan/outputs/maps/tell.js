// What is told in words: the story of a vault, a hex, a place. Text goes in as text, never as HTML.
(function (vp) {
  "use strict";
  const { data, look } = vp;
  const vaults = data.vaults;

  const METHODS = {
    storm_drain: "Storm drain",
    filter_sock: "Filter sock, then storm drain",
    vacuum_truck: "Vacuum truck",
  };
  const GATES = { go: "Go", hold: "Hold", refer: "Refer to the specialist" };
  const OUTCOMES = {
    held: "Held",
    referred: "Referred to the specialist",
    not_scheduled: "Not scheduled",
    not_possible: "Not possible",
  };
  const KINDS = {
    pump_out: "Pump out and work",
    vacuum: "Empty by vacuum truck",
    work: "Work, emptied before",
    dump: "Empty the truck",
  };
  const TRACES = {
    complete: "Followed to an outfall.",
    no_inlet: "No inlet found: nobody knows where the water goes.",
    no_outfall: "Ends before an outfall: nobody knows where the water goes.",
    no_water: "The outfall's water is not known.",
    loop: "The drain runs in a loop.",
    sewer: "Runs into a sewer, not the storm drain.",
    private: "Runs into a private drain.",
    dry_well: "Ends in a dry well: the water goes into the ground.",
    pump_station: "Ends at a pump station.",
    sewer_plant: "Runs to a sewage works, not a receiving water.",
    by_area: "Pipes not known; by the drainage area it lies in.",
  };
  // Reasons come as the numbers of the phrases they share.
  const said = (numbers) => numbers.map((k) => data.phrases[k]).join(" ");
  for (const name of ["forecast_reason", "decision_reason", "trace_reason"]) {
    vaults.words[name] = vaults.words[name].map(said);
  }
  for (const row of [...data.left, ...Object.values(data.jobs)]) row.reason = said(row.reason);

  const waterNames = new Map(data.ground.waters.map((water) => [water.water_id, water.name]));

  function element(tag, text, className) {
    const made = document.createElement(tag);
    if (text !== undefined && text !== null) made.textContent = text;
    if (className) made.className = className;
    return made;
  }

  function swatch(width, height, draw) {
    const canvas = element("canvas");
    canvas.width = width * 2;
    canvas.height = height * 2;
    canvas.style.width = `${width}px`;
    canvas.style.height = `${height}px`;
    canvas.setAttribute("aria-hidden", "true");
    const context = canvas.getContext("2d");
    context.scale(2, 2);
    draw(context, width / 2, height / 2);
    return canvas;
  }

  function number(value) {
    return value.toLocaleString("en-US");
  }

  // A forecast is not known to the gallon.
  function roughly(value) {
    return number(value < 100 ? value : Math.round(value / 10) * 10);
  }

  function word(column, i) {
    const place = vaults.sets.columns.indexOf(column);
    const at = place < 0 ? vaults.alone[column][i] : vaults.sets.rows[vaults.sets.at[i]][place];
    return at < 0 ? "" : vaults.words[column][at];
  }

  function gradeOf(i) {
    return word("grade_likeliest", i) || "unknown";
  }

  function add(parent, ...children) {
    for (const child of children) if (child) parent.append(child);
    return parent;
  }

  function water(i) {
    const [low, likely, high] = [10, 50, 90].map((percent) => vaults[`volume_gal_p${percent}`][i]);
    if (likely === null) return [element("p", "No forecast.", "note")];
    const parts = [element("p", `${roughly(low)} low, ${roughly(likely)} likely, ${roughly(high)} high gal`)];
    const capacity = vaults.capacity_gal[i];
    if (capacity) {
      const gauge = element("div", undefined, "gauge");
      const band = element("i");
      const likelyMark = element("b");
      band.style.left = `${Math.min(100, (100 * low) / capacity)}%`;
      band.style.right = `${Math.max(0, 100 - (100 * high) / capacity)}%`;
      likelyMark.style.left = `${Math.min(100, (100 * likely) / capacity)}%`;
      gauge.setAttribute("role", "img");
      gauge.setAttribute("aria-label", "low to high water against the full vault");
      parts.push(add(gauge, band, likelyMark), element("p", `Full vault: ${roughly(capacity)} gal. Likely depth: ${number(vaults.depth_in_p50[i])} in.`, "note"));
    }
    const trust = word("confidence", i);
    parts.push(element("p", `${trust ? `Confidence ${trust}: ` : ""}${word("forecast_reason", i)}.`, "note"));
    return parts;
  }

  function chances(i) {
    const shares = ["clear", "light", "heavy"].map((grade) => [grade, vaults[`prob_${grade}`][i]]);
    if (shares.some(([, share]) => share === null)) {
      return [element("p", "Unknown: the grade was never seen here.", "note")];
    }
    const bar = element("div", undefined, "chances");
    const told = element("p");
    for (const [grade, share] of shares) {
      const piece = element("i");
      piece.style.flex = `${Math.max(share, 0.5)} 0 0`;
      piece.style.background = look.colours[grade];
      bar.append(piece);
      const text = element("span", undefined, "chance");
      told.append(add(text, swatch(22, 20, (context, x, y) => vp.mark(context, grade, x, y, 6)), element("span", `${grade} ${share} %`)));
    }
    bar.setAttribute("role", "img");
    bar.setAttribute("aria-label", shares.map(([grade, share]) => `${grade} ${share} %`).join(", "));
    return [bar, told];
  }

  function path(i) {
    const status = word("trace_status", i);
    if (!status) return [element("p", "Not traced.", "note")];
    const steps = element("ol");
    if (word("inlet_id", i)) {
      steps.append(element("li", `Inlet ${word("inlet_id", i)}, ${number(vaults.gutter_ft[i] ?? 0)} ft along the gutter`));
    }
    if (word("outfall_id", i)) {
      steps.append(element("li", `Outfall ${word("outfall_id", i)}, ${number(vaults.pipe_ft[i] ?? 0)} ft of drain`));
    }
    for (const id of word("waters_passed", i).split(";").filter(Boolean)) {
      steps.append(element("li", waterNames.get(id) || id));
    }
    const sensitivity = word("sensitivity", i);
    return [
      element("p", TRACES[status] || status),
      steps.children.length ? steps : null,
      sensitivity ? element("p", `Sensitivity of those waters: ${sensitivity}.`) : null,
      status === "complete" ? null : element("p", word("trace_reason", i), "note"),
    ];
  }

  // The rules are told once, below; what else a reason says stays.
  function leftOut(left, rules) {
    const outcome = OUTCOMES[left.outcome];
    if (!rules || !left.reason.startsWith(rules)) return `${outcome}: ${left.reason}`;
    return `${outcome} by the rules below ${left.reason.slice(rules.length).trim()}`.trim();
  }

  function without(text, rules) {
    return rules ? text.replace(`; ${rules}`, "").replace(rules, "") : text;
  }

  // Several sentences are easier to read as a list.
  function sentences(text) {
    const parts = text.split(/(?<=[.!?])\s+(?=[A-Z])/).filter(Boolean);
    if (parts.length < 2) return element("p", text, "note");
    return add(element("ul", undefined, "note"), ...parts.map((part) => element("li", part)));
  }

  function orders(i) {
    const parts = [];
    for (const stop of data.stops.filter((each) => each.vault === i)) {
      const day = data.head.days[stop.day].label;
      parts.push(element("p", `${day}, ${stop.arrive}-${stop.leave}: ${KINDS[stop.kind]}, ${stop.truck_id} stop ${stop.stop_number}`));
    }
    const ids = new Set(data.stops.filter((each) => each.vault === i).map((each) => each.order_id));
    for (const left of data.left.filter((each) => each.vault === i)) {
      ids.add(left.order_id);
      parts.push(element("p", leftOut(left, word("decision_reason", i))));
    }
    for (const id of ids) {
      const job = data.jobs[id];
      if (!job) continue;
      const due = job.due_on ? `, due ${job.due_on}` : "";
      const urgency = job.priority ? `, priority ${job.priority}` : "";
      parts.push(element("p", `Order ${id}: ${job.task || "task not stated"}${due}${urgency}`));
      if (job.rank) parts.push(element("p", `Rank ${job.rank}: ${without(job.reason || "", word("decision_reason", i))}`, "note"));
    }
    return parts.length ? [element("h3", "This week"), ...parts] : [];
  }

  // The last looks under the lid, latest first; the number says days and grade in one.
  function looks(i) {
    const listed = element("ul", undefined, "looks");
    let day = 0;
    data.looks[i].slice(0, 12).forEach((code, k) => {
      day = k ? day - Math.floor(code / 5) : Math.floor(code / 5);
      const grade = ["clear", "light", "heavy"][code % 5];
      const on = new Date(day * 864e5).toISOString().slice(0, 10);
      listed.append(add(element("li"), swatch(22, 20, (context, x, y) => {
        if (grade) vp.mark(context, grade, x, y, 6);
      }), element("span", `${on} ${grade || (code % 5 === 3 ? "dry" : "not graded")}`)));
    });
    return [element("h3", "Seen before"), listed.children.length ? listed : element("p", "No visit on record.", "note")];
  }

  // For what takes markup: text that stays text.
  function plain(text) {
    const made = element("span", text);
    return made.innerHTML;
  }

  function vaultStory(i) {
    const place = [vaults.address[i], word("kind", i), word("setting", i)].filter(Boolean).join(", ");
    const method = word("method", i);
    return [
      element("h2", vaults.vault_id[i]),
      element("p", place, "note"),
      ...vp.view.ahead(i),
      ...orders(i),
      ...looks(i),
      element("h3", `Water expected ${data.head.forecast_day}`),
      ...water(i),
      element("h3", "How it would look"),
      ...chances(i),
      element("h3", "What the rules say"),
      element("p", method ? `${METHODS[method]}. Gate: ${GATES[word("gate", i)]}.` : "No decision."),
      sentences(word("decision_reason", i)),
      element("h3", "Where it would run"),
      ...path(i),
      element("p", data.head.cautions[1], "note"),
    ];
  }

  function hexStory(hexes, i) {
    const dirty = hexes.dirty[i];
    return [
      element("h2", `${number(hexes.count[i])} vaults`),
      element("p", dirty === null ? "No grade chances known here." : `Mean chance of light or heavy water: ${dirty} %, from ${number(hexes.known[i])} vaults.`),
      element("p", `Water expected ${data.head.forecast_day}: ${number(hexes.gal[i])} gal, a sum of means.`),
      element("p", `${number(hexes.week[i])} of them are in this week's plan.`),
    ];
  }

  const PLACES = { concern: "Ground of concern", areas: "Sensitive area", creek: "Receiving water", water: "Receiving water", open: "Receiving water" };

  function placeWords(row, kind) {
    const said = [row.kind, row.status].filter(Boolean).join(", ").replaceAll("_", " ");
    const graded = row.sensitivity ? ` Sensitivity ${row.sensitivity}: ${row.reason || "no reason stated"}.` : "";
    return `${PLACES[kind]}${said ? `: ${said}` : ""}.${graded}`;
  }

  function placeStory(title, lines) {
    return [element("h2", title), ...lines.filter(Boolean).map((text) => element("p", text))];
  }

  Object.assign(vp, {
    METHODS, OUTCOMES, KINDS, element, swatch, number, roughly, plain, word, gradeOf, add, vaultStory, hexStory,
    placeStory, placeWords, PLACES,
  });
})(window.vaultplan);
