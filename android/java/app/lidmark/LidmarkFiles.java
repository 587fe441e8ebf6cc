package app.lidmark;

import android.content.ContentProvider;
import android.content.ContentValues;
import android.content.Context;
import android.database.Cursor;
import android.database.MatrixCursor;
import android.net.Uri;
import android.os.ParcelFileDescriptor;
import android.provider.OpenableColumns;
import android.webkit.MimeTypeMap;
import java.io.File;
import java.io.FileNotFoundException;
import java.io.IOException;
import java.util.List;

/**
 * Lends single files of the app to the app the person chose, and nothing else.
 *
 * Only what lies in the folders named in {@link #LENT} can be reached, only by an app that was given the right to this
 * one file, and only under a path without "..".
 */
public final class LidmarkFiles extends ContentProvider {
    /** The suffix of the authority; the manifest says the same. */
    static final String AUTHORITY = ".files";
    private static final String[] LENT = {"slips", "day-files", "out", "camera"};

    static Uri share(Context context, File file) {
        File root = context.getFilesDir();
        String path = file.getPath().substring(root.getPath().length() + 1);
        Uri.Builder uri = new Uri.Builder().scheme("content").authority(context.getPackageName() + AUTHORITY);
        for (String part : path.split("/")) {
            uri.appendPath(part);
        }
        return uri.build();
    }

    private File fileOf(Uri uri) throws FileNotFoundException {
        List<String> parts = uri.getPathSegments();
        File root = getContext().getFilesDir();
        File file = root;
        for (String part : parts) {
            file = new File(file, part);
        }
        boolean lent = false;
        try {
            for (String folder : LENT) {
                lent |= parts.size() > 1
                        && parts.get(0).equals(folder)
                        && file.getCanonicalPath().startsWith(new File(root, folder).getCanonicalPath() + "/");
            }
        } catch (IOException broken) {
            lent = false;
        }
        if (!lent) {
            throw new FileNotFoundException("not a file that is lent: " + uri);
        }
        return file;
    }

    @Override
    public boolean onCreate() {
        return true;
    }

    @Override
    public ParcelFileDescriptor openFile(Uri uri, String mode) throws FileNotFoundException {
        File file = fileOf(uri);
        // Only the camera writes, and only where a picture is awaited.
        boolean camera = uri.getPathSegments().get(0).equals("camera");
        return ParcelFileDescriptor.open(file, ParcelFileDescriptor.parseMode(camera ? mode : "r"));
    }

    @Override
    public Cursor query(Uri uri, String[] columns, String where, String[] values, String order) {
        MatrixCursor row = new MatrixCursor(new String[] {OpenableColumns.DISPLAY_NAME, OpenableColumns.SIZE}, 1);
        try {
            File file = fileOf(uri);
            row.addRow(new Object[] {file.getName(), file.length()});
        } catch (FileNotFoundException none) {
            return row;
        }
        return row;
    }

    @Override
    public String getType(Uri uri) {
        String path = uri.getLastPathSegment();
        int dot = path == null ? -1 : path.lastIndexOf('.');
        String type =
                dot < 0 ? null : MimeTypeMap.getSingleton().getMimeTypeFromExtension(path.substring(dot + 1));
        return type == null ? "application/octet-stream" : type;
    }

    @Override
    public Uri insert(Uri uri, ContentValues values) {
        throw new UnsupportedOperationException("nothing is taken in here");
    }

    @Override
    public int delete(Uri uri, String where, String[] values) {
        return 0;
    }

    @Override
    public int update(Uri uri, ContentValues values, String where, String[] arguments) {
        return 0;
    }
}
