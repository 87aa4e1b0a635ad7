// Runs axe-core, which was put into the page before, and gives what it finds serious or critical: lines of text, none where
// all is well. The body of a function whose last argument takes the answer.
const done = arguments[arguments.length - 1];
const heavy = ({ impact }) => impact === "serious" || impact === "critical";
const told = ({ impact, id, help, nodes }) => `${impact}: ${id}: ${help}: ${nodes.map((n) => n.html.slice(0, 120)).join(" | ")}`;
axe.run(document, { resultTypes: ["violations"] }).then(
  ({ violations }) => done(violations.filter(heavy).map(told).join("\n")),
  (error) => done(`axe-core broke off: ${error}`),
);
