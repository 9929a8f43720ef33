import { defineConfig } from "vitest/config";

// The bundle is written into the package and shipped inside the wheel; the server hands it out at "/".
export default defineConfig({
  base: "./",
  build: {
    outDir: "../src/icewright/bench/static",
    emptyOutDir: true,
    target: "es2022",
    chunkSizeWarningLimit: 1000,
    reportCompressedSize: true,
    modulePreload: { polyfill: false },
  },
  oxc: { jsx: { runtime: "automatic", importSource: "preact" } },
  server: { proxy: { "/api": { target: "http://127.0.0.1:8765", ws: true } } },
  test: { environment: "happy-dom", include: ["src/**/*.test.{ts,tsx}"] },
});
