// Reads the page's data, packed where there is much of it, and starts the rest.
(function () {
  "use strict";
  const block = document.getElementById("vaultplan-data");

  async function unpacked(text) {
    const bytes = Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0));
    const stream = new Blob([bytes]).stream().pipeThrough(new DecompressionStream("gzip"));
    return JSON.parse(await new Response(stream).text());
  }

  function start(data) {
    window.vaultplan_data = data;
    /* scripts */
  }

  if (!block.type.endsWith("gzip")) {
    start(JSON.parse(block.textContent));
  } else if ("DecompressionStream" in window) {
    unpacked(block.textContent).then(start);
  } else {
    document.getElementById("known").textContent = "This browser is too old for a map of so many vaults: use a newer one.";
  }
})();
