// Prints what geojsonhint finds in each file named, as one JSON object by name.
import { readFileSync } from "node:fs";
import { basename } from "node:path";
import geojsonhint from "@mapbox/geojsonhint";

const found = process.argv
  .slice(2)
  .map((path) => [basename(path), geojsonhint.hint(readFileSync(path, "utf8"), { precisionWarning: true })]);
console.log(JSON.stringify(Object.fromEntries(found)));
