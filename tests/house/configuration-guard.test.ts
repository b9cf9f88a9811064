import { expect, test } from "vitest";
import { environmentReaders, setByCompose, unnamedIn } from "./variables.ts";

test("a variable that the text does not name is caught, also where another one contains its name", () => {
  const text = "| `HOST` | where it listens |\n| `SUPPORT_PORTS` | something else |";
  expect(unnamedIn(text, ["HOST", "PORT"])).toEqual(["PORT"]);
});

test("a variable planted in docker-compose.yml is seen, set or as a comment", () => {
  const text =
    "    environment:\n      PORT: 8080\n      # DEMO: 1\n      POSTGRES_DB: tidegate\n      # A sentence: no variable\n";
  expect(setByCompose(text)).toEqual(["PORT", "DEMO"]);
});

test("a planted reader of the environment is caught", () => {
  const files = [
    { path: "src/flows/dotted.ts", text: "const port = process.env.PORT;" },
    { path: "src/flows/bracketed.ts", text: 'const port = process["env"];' },
    { path: "src/flows/none.ts", text: "const pid = process.pid;" },
  ];
  expect(environmentReaders(files)).toEqual(["src/flows/dotted.ts", "src/flows/bracketed.ts"]);
});
