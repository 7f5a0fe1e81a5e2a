import { defineConfig } from "vite";

export default defineConfig({
  build: { outDir: "../static", emptyOutDir: true, assetsInlineLimit: 0, target: "es2022", modulePreload: { polyfill: false } },
  server: { proxy: { "/api": "http://127.0.0.1:8787" } },
});
