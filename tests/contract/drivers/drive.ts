// The main job through the generated TypeScript types: quote a bicycle, ask again, read the quote, find it in the list.
// `node drive.js ADDRESS KEY` prints what was seen as one JSON object. Its types are checked against the API document.

import assert from "node:assert/strict";
import { randomUUID } from "node:crypto";
import createClient from "openapi-fetch";
import type { components, paths } from "./api.js";

type QuoteRequest = components["schemas"]["QuoteRequest"];
type PartsLine = components["schemas"]["PartsLine"];

/** A bicycle with English threads whose old cranks were cottered. */
function bicycle(shellWidth: number): QuoteRequest {
  return {
    reference: "hook 7",
    evidence: [
      { kind: "old_crank", crank: "cottered" },
      { kind: "shell_width", reading: { value: shellWidth, tool: "ruler" } },
      { kind: "pitch_gauge", side: "drive", leaf: 24, leaf_unit: "tpi" },
      { kind: "cup_hand", side: "drive", hand: "left" },
    ],
    spindle: {
      target: { aim: "old", measurement: { method: "measured_chain_line", chain_line: { value: 42 } } },
      crank: { known_by: "cotter_distance", distance: { value: 113 }, taper: "jis" },
    },
  };
}

const [address, key] = process.argv.slice(2);
assert(address && key, "ADDRESS and KEY are needed");
const client = createClient<paths>({ baseUrl: address, headers: { Authorization: `Bearer ${key}` } });

const named = { header: { "Idempotency-Key": randomUUID() } };
const made = await client.POST("/v1/quotes", { params: named, body: bicycle(67) });
assert(made.data, JSON.stringify(made.error));
const again = await client.POST("/v1/quotes", { params: named, body: bicycle(67) });
assert(again.data, JSON.stringify(again.error));
assert.equal(made.data.result.verdict.state, "fit_to_order");

const read = await client.GET("/v1/quotes/{quote_id}", { params: { path: { quote_id: made.data.id } } });
assert(read.data, JSON.stringify(read.error));
assert(read.data.result.parts);
const toOrder: PartsLine[] = read.data.result.parts.lines.filter((line) => line.supply === "order");

const listed = await client.GET("/v1/quotes", { params: { query: { limit: 10 } } });
assert(listed.data, JSON.stringify(listed.error));

const refused = await client.POST("/v1/quotes", {
  params: { header: { "Idempotency-Key": randomUUID() } },
  body: bicycle(300),
});
assert(refused.error);

process.stdout.write(
  JSON.stringify({
    id: made.data.id,
    again: again.data.id,
    read: JSON.stringify(read.data) === JSON.stringify(made.data),
    summary: read.data.result.summary,
    order: toOrder.map((line) => line.name),
    listed: listed.data.quotes.map((entry) => entry.id),
    refused: [refused.error.type, refused.error.errors?.map((error) => error.pointer)],
  }),
);
