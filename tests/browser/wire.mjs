// Who may ask and what is refused: plain HTTP against the real program.

import assert from "node:assert/strict";
import { readFileSync, existsSync } from "node:fs";
import { request } from "node:http";
import { connect } from "node:net";
import { join } from "node:path";
import { results, serve } from "./scene.mjs";

/** One request with full control over its headers. */
function ask(server, path, { method = "GET", headers = {}, body } = {}) {
  return new Promise((resolve, reject) => {
    const asked = request({ host: "127.0.0.1", port: server.port, path, method, headers }, (answer) => {
      const parts = [];
      answer.on("data", (d) => parts.push(d));
      answer.on("end", () => resolve({ status: answer.statusCode, headers: answer.headers, text: Buffer.concat(parts).toString() }));
    });
    asked.on("error", reject);
    asked.end(body);
  });
}

const good = (server) => ({ "X-Breakface-Token": server.token, "Content-Type": "application/json" });
const label = (server, body, headers = good(server)) =>
  ask(server, "/api/label", { method: "POST", headers, body: typeof body === "string" ? body : JSON.stringify(body) });
const decision = { labeller: "Ann", end: "0.1", label: "sheared" };

async function with_server(folder, test) {
  const scene = results(folder, [6]);
  const server = await serve(scene);
  try {
    await test(server, scene);
  } finally {
    await server.stop();
  }
}

const strangers_are_refused = ({ folder }) =>
  with_server(folder, async (server, scene) => {
    const at = `/api/state?token=${server.token}`;
    assert.equal((await ask(server, at)).status, 200);
    for (const host of ["evil.example", `evil.example:${server.port}`, "127.0.0.1", `127.0.0.1.evil.example:${server.port}`])
      assert.equal((await ask(server, at, { headers: { Host: host } })).status, 403, host);
    for (const origin of ["http://evil.example", "null", `https://127.0.0.1:${server.port}`, "http://127.0.0.1:1"]) {
      assert.equal((await ask(server, at, { headers: { Origin: origin } })).status, 403, origin);
      assert.equal((await label(server, decision, { ...good(server), Origin: origin })).status, 403, origin);
    }
    assert.equal((await label(server, decision, { ...good(server), "Sec-Fetch-Site": "cross-site" })).status, 403);
    assert.ok(!existsSync(join(scene.folder, "labels.csv")), "a refused decision must leave nothing behind");
  });

const the_token_is_needed = ({ folder }) =>
  with_server(folder, async (server) => {
    const wrong = server.token.replace(/./g, (c) => (c === "0" ? "1" : "0"));
    for (const path of ["/api/state", "/api/agreement", "/api/end/0.1", "/api/picture/0/tile/0/0/0", "/api/picture/0/crop?x=9&y=9&axis=0&span=90&size=90&at=.5"])
      for (const token of ["", `${path.includes("?") ? "&" : "?"}token=${wrong}`]) assert.equal((await ask(server, path + token)).status, 403, path + token);
    assert.equal((await label(server, decision, { "Content-Type": "application/json" })).status, 403);
    for (const path of ["/api/undo", "/api/add", "/api/move", "/api/apply", "/api/learn", "/api/learn/take"])
      assert.equal((await ask(server, path, { method: "POST", body: "{}" })).status, 403, path);
    const locked = await ask(server, "/");
    assert.equal(locked.status, 403);
    assert.ok(!locked.text.includes("tern cove"));
    const page = await ask(server, `/?token=${server.token}`);
    assert.equal(page.status, 200);
    assert.match(page.headers["content-security-policy"], /default-src 'none'/);
    assert.equal(page.headers["cache-control"], "no-store");
    assert.equal(page.headers["x-content-type-options"], "nosniff");
    assert.ok(server.token.length >= 32);
  });

const no_path_leads_out = ({ folder }) =>
  with_server(folder, async (server) => {
    const token = `?token=${server.token}`;
    for (const path of ["/../../../../etc/passwd", "/page/../../../etc/passwd", "/page/%2e%2e/%2e%2e/etc/passwd", "/api/end/..%2f..%2fetc%2fpasswd", "/api/picture/../crop", "/api/picture/..%2f/tile/0/0/0", "/api/picture/-1/tile/0/0/0", "/api/picture/99/tile/0/0/0", "/api/picture/0/tile/63/0/0", "/api/picture/0/tile/0/4294967296/0", "/labels.csv", "/ends.csv", "/.review.lock", "//etc/passwd", "/api/end/0.99", "/api/end/0.+1"]) {
      const answer = await ask(server, path + token);
      assert.equal(answer.status, 404, path);
      assert.ok(!answer.text.includes("root:"), path);
    }
  });

const bad_bodies_are_refused_and_the_server_goes_on = ({ folder }) =>
  with_server(folder, async (server, scene) => {
    for (const body of ["", "{", "[]", "null", "sheared", '{"end":"0.1"}', JSON.stringify({ ...decision, extra: 1 }), JSON.stringify({ ...decision, end: 3 }), "\u0000\u0001", "[".repeat(9000)]) {
      const answer = await label(server, body);
      assert.equal(answer.status, 400, body.slice(0, 30));
      assert.equal(typeof JSON.parse(answer.text).error, "string");
    }
    for (const body of [{ ...decision, label: "cut" }, { ...decision, labeller: "" }, { ...decision, labeller: "a\nb" }, { ...decision, labeller: "x".repeat(100) }])
      assert.equal((await label(server, body)).status, 400, JSON.stringify(body));
    for (const end of ["0.999", "9.1", "../x", "0.+7"]) assert.equal((await label(server, { ...decision, end })).status, 404, end);
    const post = (path, body) => ask(server, path, { method: "POST", headers: good(server), body: JSON.stringify(body) });
    assert.equal((await post("/api/add", { labeller: "Ann", picture: 0, x: -50, y: 10, label: "sheared" })).status, 400);
    assert.equal((await post("/api/add", { labeller: "Ann", picture: 7, x: 5, y: 10, label: "sheared" })).status, 404);
    assert.equal((await post("/api/add", { labeller: "Ann", picture: 0, x: 5, y: 10, label: "not_an_end" })).status, 400);
    assert.equal((await post("/api/move", { labeller: "Ann", end: "0.1", x: 890, y: 630 })).status, 400);
    assert.equal((await post("/api/undo", { labeller: "Ann" })).status, 409);
    assert.equal((await ask(server, "/api/state", { method: "DELETE", headers: good(server) })).status, 405);
    assert.ok(!existsSync(join(scene.folder, "labels.csv")), "a refused decision must leave nothing behind");
    assert.equal((await label(server, decision)).status, 200);
    assert.match(readFileSync(join(scene.folder, "labels.csv"), "utf8"), /^image,x_px,y_px,label,labeller,when,action,end\r\ntern cove 1\.bmp,[\d.]+,[\d.]+,sheared,Ann,\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ,label,1\r\n$/);
  });

const oversized_requests_are_refused = ({ folder }) =>
  with_server(folder, async (server) => {
    const said = await new Promise((resolve, reject) => {
      const socket = connect(server.port, "127.0.0.1");
      let text = "";
      socket.on("data", (d) => ((text += d), text.includes("\r\n\r\n") && (resolve(text), socket.destroy())));
      socket.on("error", reject);
      socket.write(`POST /api/label HTTP/1.1\r\nHost: 127.0.0.1:${server.port}\r\nX-Breakface-Token: ${server.token}\r\nContent-Length: 900000000\r\n\r\n`);
    });
    assert.match(said, /^HTTP\/1\.1 413 /);
    const chunked = await ask(server, "/api/label", { method: "POST", headers: { ...good(server), "Transfer-Encoding": "chunked" }, body: "x".repeat(100_000) });
    assert.equal(chunked.status, 411);
    assert.equal((await ask(server, `/${"a".repeat(5000)}?token=${server.token}`)).status, 414);
    assert.equal((await ask(server, "/", { headers: { "X-Long": "a".repeat(20_000) } })).status, 431);
    for (const size of ["100000", "0", "-5", "1e9", "NaN", "x"])
      assert.equal((await ask(server, `/api/picture/0/crop?x=9&y=9&axis=0&span=90&at=.5&size=${size}&token=${server.token}`)).status, 400, size);
    assert.equal((await label(server, decision)).status, 200);
  });

const a_second_server_is_turned_away = ({ folder }) =>
  with_server(folder, async (server, scene) => {
    await assert.rejects(serve(scene), /ended with 2: .*already running/);
    await server.stop();
    const next = await serve(scene);
    await next.stop();
  });

export const tests = [
  ["strangers are refused", strangers_are_refused],
  ["the token is needed", the_token_is_needed],
  ["no path leads out", no_path_leads_out],
  ["bad bodies are refused and the server goes on", bad_bodies_are_refused_and_the_server_goes_on],
  ["oversized requests are refused", oversized_requests_are_refused],
  ["a second server is turned away", a_second_server_is_turned_away],
];
