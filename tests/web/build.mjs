// Bundles three.js for the offline page, its licence first. Run: npm ci && npm run bundle
import { readFileSync } from "node:fs";
import { build } from "esbuild";

const home = "node_modules/three";
const { version } = JSON.parse(readFileSync(`${home}/package.json`, "utf8"));
const licence = readFileSync(`${home}/LICENSE`, "utf8").trim();
await build({
  entryPoints: ["three_entry.js"],
  bundle: true,
  minify: true,
  format: "iife",
  globalName: "THREE",
  target: "es2020",
  charset: "utf8",
  legalComments: "none",
  banner: { js: `/*! three.js ${version}\n\n${licence}\n*/` },
  outfile: process.argv[2] ?? "../../linkview/export/web/three.js",
});
