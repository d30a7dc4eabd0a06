"""The longer questions to the database, in one place so that all lists agree.

The latest result of a seam: of its latest day, the latest photo that was
measured (a refused photo says nothing about the seam), and of that the latest
result.
"""

from __future__ import annotations

#: Seams, measured seams and latest decisions by job.  ``{only}``, twice: extra condition.
COUNTS = """
WITH ranked AS (
    SELECT e.job_id AS job_id, m.id AS measurement_id, w.on_date AS on_date,
           row_number() OVER (PARTITION BY e.id ORDER BY w.on_date DESC, s.id DESC, m.id DESC) AS place
    FROM seams e
    JOIN shots s ON s.seam_id = e.id AND s.deleted_at IS NULL
    JOIN visits w ON w.id = s.visit_id AND w.deleted_at IS NULL
    JOIN measurements m ON m.shot_id = s.id AND m.status <> 'refused'
    WHERE e.deleted_at IS NULL{only}
), latest AS (
    SELECT job_id, on_date,
           (SELECT v.decision FROM verdicts v WHERE v.measurement_id = ranked.measurement_id
            ORDER BY v.id DESC LIMIT 1) AS decision
    FROM ranked WHERE place = 1
), counted AS (
    SELECT job_id, count(*) AS measured, max(on_date) AS last_on,
           sum(decision IS 'in tolerance') AS in_tolerance,
           sum(decision IS 'out of tolerance') AS out_of_tolerance,
           sum(decision IS 'not proven') AS not_proven
    FROM latest GROUP BY job_id
)
SELECT e.job_id AS job_id, count(*) AS seams, coalesce(c.measured, 0) AS measured, coalesce(c.last_on, '') AS last_on,
       coalesce(c.in_tolerance, 0) AS in_tolerance, coalesce(c.out_of_tolerance, 0) AS out_of_tolerance,
       coalesce(c.not_proven, 0) AS not_proven
FROM seams e LEFT JOIN counted c ON c.job_id = e.job_id
WHERE e.deleted_at IS NULL{only} GROUP BY e.job_id
"""

#: Results with their visit, photo and latest verdict.  ``{where}``: condition.
LINES = """
SELECT m.id, m.uid, m.shot_id, s.seam_id, m.made_at, m.method_version, m.program_version, m.status,
       m.mean_mm, m.min_mm, m.max_mm, m.u_mm,
       m.id = (SELECT max(n.id) FROM measurements n WHERE n.shot_id = s.id) AS newest,
       w.id AS w_id, w.uid AS w_uid, w.job_id AS w_job_id, w.stage AS w_stage, w.on_date AS w_on_date,
       w.who AS w_who, w.conditions AS w_conditions, w.notes AS w_notes,
       p.sha256, p.original_sha256, p.suffix, p.size_bytes, p.file_name, p.taken_at,
       (SELECT json_group_array(json(told)) FROM (
            SELECT json_array(q.sha256, q.original_sha256, q.suffix, q.size_bytes, q.file_name, q.taken_at) AS told
            FROM set_photos y JOIN photos q ON q.sha256 = y.photo_sha256
            WHERE y.measurement_id = m.id AND y.place > 0 ORDER BY y.place)) AS others,
       v.id AS v_id, v.made_at AS v_made_at, v.decision AS v_decision, v.rule AS v_rule
FROM measurements m
JOIN shots s ON s.id = m.shot_id AND s.deleted_at IS NULL
JOIN visits w ON w.id = s.visit_id AND w.deleted_at IS NULL
JOIN seams e ON e.id = s.seam_id AND e.deleted_at IS NULL
LEFT JOIN set_photos x ON x.measurement_id = m.id AND x.place = 0
JOIN photos p ON p.sha256 = ifnull(x.photo_sha256, s.photo_sha256)
LEFT JOIN verdicts v ON v.id = (SELECT max(x.id) FROM verdicts x WHERE x.measurement_id = m.id)
WHERE {where}
ORDER BY w.on_date, s.id, m.id
"""
