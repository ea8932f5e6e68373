INSERT INTO intake (
  intake_id, file, sha256, file_bytes, brought_at, brought_by, software,
  rows_read, rows_kept, rows_refused, rows_set_aside, rows_repeated,
  records_new, records_corrected, records_known, stated
) VALUES (
  $intake, $file, $sha256, $file_bytes, $brought_at, $brought_by, $software,
  $rows_read, $rows_kept, $rows_refused, $rows_set_aside, $rows_repeated,
  $records_new, $records_corrected, $records_known, $stated
)
