// What the columns of a case's recording hold, said after the case was made: the way on where it was refused.
import { useEffect, useState } from "preact/hooks";

import { caseUrl, get, send, type CaseColumns, type Mappable } from "./api";
import { ColumnTable } from "./columns";

interface Props {
  name: string;
  again: () => void;
}

export function RecordedColumns({ name, again }: Props) {
  const [found, setFound] = useState<CaseColumns | null>(null);
  const [mappable, setMappable] = useState<Mappable[]>([]);
  const [problem, setProblem] = useState("");
  const base = `${caseUrl(name)}/columns`;
  useEffect(() => {
    void get<CaseColumns>(base).then(setFound, () => setFound(null)); // several recordings, or none: nothing to choose
    void get<Mappable[]>("/mappable").then(setMappable);
  }, [name]);

  const say = async (header: string, words: string) => {
    const columns = { ...found!.said };
    if (words) columns[header] = words;
    else delete columns[header];
    await send<CaseColumns>("POST", base, { columns }).then((told) => (setFound(told), setProblem("")), (error: Error) => setProblem(error.message));
  };
  const keep = async () => {
    try {
      await send<CaseColumns>("PUT", base, { columns: found!.said });
      again();
    } catch (error) {
      setProblem((error as Error).message);
    }
  };
  if (!found) return null;
  return (
    <section class="sheet stack" aria-labelledby="columns">
      <h2 id="columns">What the columns hold</h2>
      <p class="small">Where a column was understood wrongly, or in another unit, choose what it holds. The file itself stays as it is.</p>
      {(problem || found.problem) && <p class="problem" role="alert">{problem || found.problem}</p>}
      <ColumnTable columns={found.columns} mappable={mappable} said={found.said} say={(header, words) => void say(header, words)} />
      <div class="row"><button class="main" disabled={Boolean(found.problem)} onClick={() => void keep()}>Keep this and review it</button></div>
    </section>
  );
}
